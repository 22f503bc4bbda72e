"""Deliverables as recipes: what a shoot's settings ask for, checked, and made definite before anything starts."""

from house import settings as settings_module
from house.settings import SettingsError
from kerbwalk.deliver import BY_CRF, MASTER_BOX, OWN_DISPLAYS, Format, output_size

FORMATS = {
    "h264": Format("mp4", (8,), quality=(15, 0, 51), vmaf=95),
    "hevc": Format("mp4", (10, 8), quality=(20, 0, 51), vmaf=95, hdr=True),
    "av1": Format("mp4", (10, 8), quality=(12, 0, 63), vmaf=95),
    "prores": Format("mov", (10,), vmaf=97),
    "dnxhr": Format("mov", (10,), vmaf=97),
    "gif": Format("gif", (8,), colour="srgb", vmaf=60),
    "webp": Format("webp", (8,), colour="srgb", quality=(95, 0, 100), vmaf=85),
    "avif": Format("avif", (10, 8), colour="srgb", quality=(12, 0, 63), vmaf=85),
    "tiff": Format(None, (16,), colour="srgb"),
    "exr": Format(None, (16,), colour="linear"),
    "jpeg": Format("jpg", (8,), colour="srgb", quality=(97, 1, 100), single=True),
}
# The clip as it is, a photo a frame (kerbwalk.retime).
PACE = {
    "speed": 1,
    "between": "blend",
    "ease": 0,
    "hold_first": 0,
    "hold_last": 0,
    "reverse": False,
    "loop": "none",
}
# Of the master's size, these are encoded from the pictures that compose lays ready in 4:2:0 and 8 bits.
READY = ("h264",)


def resolved(settings, where):
    """The recipes of a shoot's deliverables, complete, in the order asked for: {name: dict}.

    settings: a shoot's, whole and checked by the schema; where: the file to name in a complaint.
    A recipe has size [width, height] in pixels, rate ("24/1"), codec, depth (bits), colour (bt709, srgb, pq, hlg or
    linear), quality (a number, or None where the codec has none), megabits (a second, at most, or None), within
    (whether it is encoded so as to stay below them, which deliver finds out), ending (None: a folder of pictures),
    frame (of a single picture, a part of the clip's length), vmaf, pace (see kerbwalk.retime), picture: the name of
    what is composed for it, "" for the master; and ready: whether it is encoded from the pictures that compose lays
    ready beside the master.
    Raises SettingsError, one sentence, for a name without a recipe and for what no encoder could do.
    """
    known, found = settings["recipes"], {}
    for name in settings["deliverables"]:
        if name not in known:
            near = settings_module.nearest(name, known)
            meant = f"the nearest is '{near}'" if near else f"there are {', '.join(known)}"
            raise SettingsError(f"{where}: 'deliverables' names '{name}', for which there is no recipe; {meant}")
        try:
            found[name] = _complete(name, known[name], settings)
        except ValueError as error:
            raise SettingsError(f"{where}: 'recipes.{name}' {error}") from None
    return found


def master_size(settings):
    """[width, height] of a shoot's master."""
    return list(output_size(MASTER_BOX, settings_module.ratio(settings["aspect"])))


def boxes(recipes):
    """The sizes that decoding has to keep up with: the master's, and what is wider or higher."""
    sizes = {tuple(recipe["size"]) for recipe in recipes.values()}
    own = [size for size in sizes if size[0] > MASTER_BOX[0] or size[1] > MASTER_BOX[1]]
    return [list(MASTER_BOX), *map(list, sorted(own))]


def _complete(name, recipe, settings):
    codec = recipe.get("codec", "h264")
    form = FORMATS[codec]
    depth = recipe.get("depth", form.depths[0])
    if depth not in form.depths:
        raise ValueError(f"asks for a depth of {depth} bits; {codec} has {_listed(form.depths)}")
    quality = recipe.get("quality", form.quality and form.quality[0])
    if quality is not None and not form.quality:
        raise ValueError(f"has a quality; {codec} has none, leave it out")
    if form.quality and not form.quality[1] <= quality <= form.quality[2]:
        raise ValueError(f"has a quality of {quality}; {codec} has {form.quality[1]} to {form.quality[2]}")
    if "megabits" in recipe and codec not in BY_CRF:
        raise ValueError(f"has a rate in megabits; {codec} keeps to none, leave it out")
    if "frame" in recipe and not form.single:
        raise ValueError(f"names a frame; {codec} holds all of them, leave it out")
    aspect = settings_module.ratio(recipe.get("aspect") or settings["aspect"])
    if not 0.25 <= aspect <= 4:
        raise ValueError(f"has the aspect '{recipe['aspect']}'; expected a ratio between 1:4 and 4:1")
    box = [int(side) for side in recipe.get("size", "{}x{}".format(*MASTER_BOX)).split("x")]
    for side in box:
        if side % 2 or not 64 <= side <= 8192:
            raise ValueError(f"has a size of {recipe['size']}; width and height must be even, from 64 to 8192 pixels")
    size, master = list(output_size(box, aspect)), master_size(settings)
    pace = PACE | recipe.get("pace", {})
    if form.single and pace != PACE:
        raise ValueError(f"has a pace; {codec} holds one picture, leave it out")
    colour = _colour(recipe.get("colour", "sdr"), codec, depth, settings["look"])
    own = "" if size == master and colour not in OWN_DISPLAYS and pace == PACE else "{}x{}".format(*size)
    if colour in OWN_DISPLAYS:
        own += f"_{colour}"
    if pace != PACE:
        own += f"-{name}"
    return {
        "size": size,
        "rate": settings_module.frame_rate(recipe.get("fps") or settings["fps"]),
        "codec": codec,
        "depth": depth,
        "colour": colour,
        "quality": quality,
        "megabits": recipe.get("megabits"),
        "within": False,
        "ending": form.ending,
        "frame": recipe.get("frame", 0.5) if form.single else None,
        "vmaf": recipe.get("vmaf", form.vmaf),
        "pace": pace,
        "picture": own,
        "ready": size == master and not own and codec in READY,
    }


def _colour(wanted, codec, depth, look):
    """What a recipe's pictures are: bt709, srgb, pq, hlg or linear."""
    form = FORMATS[codec]
    if wanted == "sdr":
        return form.colour
    if not form.hdr or depth != form.depths[0]:
        can = " and ".join(f"{name} in {known.depths[0]} bits" for name, known in FORMATS.items() if known.hdr)
        raise ValueError(f"has the colour {wanted}, which is for {can}")
    for key in ("match", "lut", "display"):
        if look[key]:
            raise ValueError(f"has the colour {wanted}, and look.{key} makes a signal for BT.709 alone; take one out")
    return wanted


def _listed(numbers):
    return " or ".join(map(str, numbers))
