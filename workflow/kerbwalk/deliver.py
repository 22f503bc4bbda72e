"""The pictures that the deliverables are encoded from."""

from kerbwalk import draft

# Boxes that the deliverables are fitted inside, (width, height) in pixels.
BOXES = {"hd": (1920, 1080), "draft": draft.BOX}
# FFmpeg's filters from the master's picture to 4:2:0 in 8 bits. Chroma is sited left, as H.264 assumes; the step from
# 10 to 8 bits is dithered, so that night skies do not band.
TO_420 = (
    "zscale=matrix=709:matrixin=709:range=limited:rangein=limited:chromal=left:dither=error_diffusion,"
    "format=yuv420p,setsar=1"
)


def largest_box(deliverables):
    """(width, height) of the largest of the named deliverables."""
    return max((BOXES[name] for name in deliverables), key=lambda box: box[0] * box[1])


def output_size(box, aspect):
    """The even (width, height) of an aspect (width over height) that fills a box in one direction."""
    width = min(box[0], box[1] * aspect)
    return tuple(int(2 * round(float(v) / 2)) for v in (width, width / aspect))


def picture_bytes(size):
    """Bytes of a raw picture of an even (width, height) in 4:2:0 and 8 bits."""
    return size[0] * size[1] * 3 // 2
