"""The sizes of the deliverables."""

# Boxes that the deliverables are fitted inside, (width, height) in pixels.
BOXES = {"hd": (1920, 1080)}


def largest_box(deliverables):
    """(width, height) of the largest of the named deliverables."""
    return max((BOXES[name] for name in deliverables), key=lambda box: box[0] * box[1])


def output_size(box, aspect):
    """The even (width, height) of an aspect (width over height) that fills a box in one direction."""
    width = min(box[0], box[1] * aspect)
    return tuple(int(2 * round(float(v) / 2)) for v in (width, width / aspect))
