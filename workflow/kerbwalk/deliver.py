"""What deliverables are: the forms there are, and the pictures that they are encoded from."""

from dataclasses import dataclass

# The box that the master, and so hd, is fitted inside, (width, height) in pixels.
MASTER_BOX = (1920, 1080)
# Codecs whose quality is a CRF, lower being finer.
BY_CRF = ("h264", "hevc", "av1", "avif")
# What is shown otherwise than by the master's signal, and so composed for itself.
OWN_DISPLAYS = ("pq", "hlg", "linear")


@dataclass(frozen=True)
class Format:
    """What a codec's files are like.

    ending: of the file's name, None for a folder of pictures; depths: bits a component, the usual one first; colour:
    bt709 (the signal of the master), srgb (the same light, encoded for computer screens) or linear (scene light, before
    any display); hdr: whether it can be PQ and HLG (kerbwalk.hdr) as well, in its usual depth; quality: (usual, least,
    most), or None; single: whether it holds one picture of the clip; vmaf: what a clip has to reach, None for pictures.
    """

    ending: str | None
    depths: tuple[int, ...]
    colour: str = "bt709"
    quality: tuple[float, float, float] | None = None
    single: bool = False
    vmaf: float | None = None
    hdr: bool = False


def output_size(box, aspect):
    """The even (width, height) of an aspect (width over height) that fills a box in one direction."""
    width = min(box[0], box[1] * aspect)
    return tuple(int(2 * round(float(v) / 2)) for v in (width, width / aspect))


def picture_bytes(size):
    """Bytes of a raw picture of an even (width, height) in 4:2:0 and 8 bits."""
    return size[0] * size[1] * 3 // 2
