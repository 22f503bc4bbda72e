"""Measure each photo's flicker and settle one gain for it.

Outputs
  gains.csv   one row a photo of the clip, in order; stops unless said
    photo           file name
    known_step      exposure by the camera's settings and the filters, against the reference photo's
    estimated_gain  the photo's light with known_step taken out, against the shoot's mean
    kept_trend      what the clip shows of the light: applied_gain = kept_trend - known_step - estimated_gain
    applied_gain    what compose multiplies by, as 2^applied_gain
    confidence      0..1; 0 where nothing corresponded and the gain is by its neighbours and the settings alone
    pixels          proxy pixels behind the estimate
  light.json
    colours {photo: [red, blue]}, further gain of these channels in stops; empty unless the photos' colours flicker
    steps   changes of exposure: [{photo (the first with it), known, measured, sigma (stops), differs (true or false)}]
    places  places that flicker by themselves: [{x, y, width, height (fractions of the reference photo), flicker
            (per cent, RMS), gains: {photo: stops that even it}, pattern (rows over that box, how much takes part)}]
    even    which of the places compose evens, as places of that list
"""

import _workflow  # noqa: F401
import csv
import functools
import itertools
import json
import math
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from files import stage
from files.proxies import Proxies
from files.waiting import Waiting
from files.warps import read_homographies
from kerbwalk import beats, drift, exposure, glare, lens, light, passing, places, trend
from kerbwalk.homography import transfer
from kerbwalk.pixels import enlarged, enlarging, reduced

COLUMNS = ["photo", "known_step", "estimated_gain", "kept_trend", "applied_gain", "confidence", "pixels"]

# So many photos are looked at before their large pictures go.
AT_ONCE = 8


def main():
    parser = stage.parser(__doc__)
    parser.add_argument("--ingest", required=True)
    parser.add_argument("--proxies", nargs="+", required=True)
    parser.add_argument("--sights", required=True)
    parser.add_argument("--warps", required=True)
    parser.add_argument("--settings", required=True, type=json.loads, help='JSON: {"light": {...}}')
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--out", required=True)
    parser.add_argument("--found", required=True, help="light.json")
    args = parser.parse_args()

    cv2.setNumThreads(1)
    settings, warps = args.settings["light"], read_homographies(args.warps)
    photos, proxies, period = warps["photos"], Proxies(args.proxies), settings["keep_slower_than"]
    names = [p["name"] for p in photos]
    known, reference = known_steps(stage.read_json(args.ingest), warps["reference"], names, settings["filters"])
    # A file without a name, which no crash leaves behind.
    with tempfile.TemporaryFile(dir=Path(args.out).parent) as beside, ThreadPoolExecutor(args.threads) as pool:
        measured = functools.partial(measure, warps, proxies, read_sights(args.sights), Waiting(beside), pool.map)
        levels, sigmas, ratios = measured()
        colours = places.colour_flicker(len(photos), ratios, period)
        if colours.any():
            # What red and blue have of their own is not the photo's, and not the same all over its grey.
            levels, sigmas, ratios = measured(colours)
    settled = trend.settle(levels, known, settings["show"], period, reference)
    if warps["reference"] in names:
        # The photo that carries the look keeps its own light, so that the clip shows it as it was graded.
        settled.kept -= settled.applied[reference]
        settled.applied -= settled.applied[reference]
    confidence = np.where(np.isfinite(sigmas), np.exp(-np.nan_to_num(sigmas) / 0.01), 0.0)
    pixels = [int(np.median([r.pixels for pair, r in ratios.items() if k in pair] or [0])) for k in range(len(names))]
    columns = (known, settled.estimated, settled.kept, settled.applied, confidence, pixels)
    with stage.whole(args.out) as temporary, open(temporary, "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for name, *numbers in zip(names, *columns, strict=True):
            table.writerow([name, *(v if isinstance(v, int) else shown(v) for v in numbers)])
    found = places.flickering(len(photos), ratios, period)
    described = [describe(place, names, warps["size"], proxies.light_scale) for place in found]
    stage.write_json(
        args.found,
        {
            "colours": dict(zip(names, (-colours / np.log(2)).tolist(), strict=True)) if colours.any() else {},
            "steps": [vars(step) | {"photo": names[step.photo]} for step in settled.steps],
            "places": described,
            "even": [chosen(point, described) for point in settings["even"]],
        },
    )


def shown(number):
    """A number of the table; nothing where it is unknown."""
    return f"{number:.6f}" if np.isfinite(number) else ""


def chosen(point, described):
    """Which of the places that flicker a point of the settings means."""
    for index, place in enumerate(described):
        if all(abs(point[k] - place["xy"[k]]) <= place[("width", "height")[k]] / 2 + 0.01 for k in (0, 1)):
            return index
    known = ", ".join(f"[{p['x']:.3f}, {p['y']:.3f}]" for p in described) or "none"
    raise stage.StageError(f"'light.even' names {point}, and no place there flickers; those that do: {known}")


def known_steps(shoot, reference, names, filters):
    """Exposure of the clip's photos in stops, against the reference; and the place of the reference or its stand-in."""
    records = [p for p in shoot["photos"] if not p["problem"]]
    stops = dict(zip([r["name"] for r in records], exposure.known_steps(records, filters), strict=True))
    place = names.index(reference) if reference in names else len(names) // 2
    return np.array([stops[name] for name in names]) - stops[reference], place


def read_sights(path):
    """Where lasting corners were seen: {photo, point, at} of sights.npz."""
    with np.load(path) as file:
        return {key: file[key] for key in ("photo", "point", "at")}


def measure(warps, proxies, sights, waiting, pool=map, colours=None):
    """How bright the photos are: log e, their sigmas, and the ratios {(i, j): Ratio} that say it.

    waiting: where what every photo has is kept; pool: a `map` that may look at several photos side by side; colours:
    (n, 2), log, what photos' red and blue are to be without, or None.
    """
    photos, glass = warps["photos"], warps["lens"]
    placed = [k for k, p in enumerate(photos) if p["placed"]]
    matrices = {k: laying(photos[k], warps["hold"], proxies.light_scale) for k in placed}
    where = on_plane(matrices, sights, glass, proxies.light_scale)
    large = math.prod(proxies.light_shape) >= light.LARGE
    kind, part = ("half", light.HALF) if large else ("grey", 1)

    def look(k):
        rgb, clipped = proxies.light(photos[k]["name"])
        if colours is not None:
            rgb *= np.float32(np.exp([-colours[k, 0], 0, -colours[k, 1]]))
        one = lay(rgb, clipped, matrices[k], glass, proxies.light_scale)
        return one, drift.brightness(one, where[k][1])

    def beside(first, second):
        flow = light.flow(first, second)
        return light.compared(first.grey, second.grey, flow), flow

    def frame(k):
        """Photo k without its pictures."""
        return light.Frame(None, None, None, *(part() for part in blocks[k]))

    blocks, values, pictures, seen, flows, last = {}, {}, {}, [], [], []
    # Few photos at a time have all their pictures.
    for begin in range(0, len(placed), AT_ONCE):
        some = placed[begin : begin + AT_ONCE]
        laid, bright = zip(*pool(look, some), strict=True)
        laid = [*last, *laid]
        for both, flow in pool(beside, laid, laid[1:]):
            seen.append(waiting.put(both))
            flows.append(flow)
        last = laid[-1:]
        for k, one, value in zip(some, laid[-len(some) :], bright, strict=True):
            blocks[k], values[k] = [waiting.put(one.bright), waiting.put(one.blocks)], value
            pictures[k] = waiting.put(getattr(one, kind))
    veils = veils_of(matrices, proxies, photos, waiting)
    *lasting, veil = places_seen(where, values, veils, sights, glass)
    strength, brightness = glare.strengths(len(photos), *lasting, veil)

    def spread(some):
        """Note in some photos' blocks what lamps spread there, as bright as these are."""
        for k in some:
            veiled = veils[k]() @ (strength * np.exp(brightness[k]))
            blocks[k][1] = waiting.put(light.glared(frame(k), veiled).blocks)

    def bare():
        """The lasting places without what lamps spread there."""
        photo, point, value, rim = lasting
        share = veil @ strength * np.exp(brightness[photo] - value)
        return photo, point, np.where(share < glare.MOST, value + np.log1p(-np.minimum(share, glare.MOST)), np.nan), rim

    def linked(some):
        return told(some, pool(lambda pair: light.ratio(*map(frame, pair), seen[pair]()), some))

    pairs = list(itertools.pairwise(placed))
    seen = dict(zip(pairs, seen, strict=True))
    spread(placed)
    ratios = linked(pairs)
    levels, _ = light.solve(len(photos), ratios)
    slow, vignetting = drift.drift(levels, *bare(), rounds=10)
    # Places lie where there is something to see, and so where a bus lights most: links know better how bright photos
    # are.
    off = levels + slow - brightness
    off = np.nan_to_num(off - np.median(off[np.isfinite(off)])) if ratios else np.zeros(len(photos))
    brightness = brightness + off
    spread(np.flatnonzero(np.abs(off) > glare.NEARLY))
    ratios |= linked([pair for pair in pairs if np.abs(off[list(pair)]).max() > glare.NEARLY])
    levels, _ = light.solve(len(photos), ratios)

    def far(pair, flow):
        i, j = pair
        both = light.compared(pictures[i](), pictures[j](), flow, part)
        return light.ratio(frame(i), frame(j), both, vignetting, levels[j] - levels[i])

    flows = dict(enumerate(flows))
    for steps in light.LONG:
        some = range(0, len(placed) - steps, max(steps // light.OVERLAP, 1))
        halves = ([flows[k + begin] for k in some] for begin in (0, steps // 2))
        every = pool(light.led, *halves)
        flows = dict(zip(some, every, strict=True))
        pairs = [(placed[k], placed[k + steps]) for k in some]
        longer = told(pairs, pool(far, pairs, flows.values()))
        ratios = light.shared(ratios, longer, levels) if steps == 2 else ratios | light.doubted(longer, levels)
    levels, sigmas = light.solve(len(photos), ratios)
    return without_passing(levels, ratios, bare()), sigmas, ratios


def without_passing(levels, ratios, lasting):
    """Levels, log e, without their drift and without what passing lights and what beats by itself add to them.

    levels: as the ratios {(i, j): Ratio} tell them; lasting: photo, point, value, rim of places (drift.drift).
    """
    photo, point, value, _ = lasting
    beating, shade, lit = passing.beating(ratios, levels), light.vignetting(ratios), np.zeros(len(levels), bool)
    shares = beats.shares(beating, point.max(initial=-1) + 1, photo, point, value - levels[photo])
    for turn in range(passing.TURNS):
        slow, _ = drift.drift(levels, *lasting, lit=lit, lens=shade, shares=shares)
        if turn == 1 and drift.jump(slow, lit) < drift.CLEAR:
            break
        without, much = passing.without(ratios, levels + slow, beating)
        if np.array_equal(much, lit):
            break
        lit = much
    return without


def told(pairs, found):
    """{pair: Ratio} of those pairs of photos for which one was found."""
    return {pair: one for pair, one in zip(pairs, found, strict=True) if one}


def veils_of(matrices, proxies, photos, waiting):
    """{photo: a function that gives glare.veils()} of the lamps that last."""
    height, width = proxies.light_shape
    seen = [np.zeros((0, 3)) for _ in photos]
    for k, matrix in matrices.items():
        found = glare.lamps(proxies.clipped(photos[k]["name"]))
        seen[k] = np.column_stack([transfer(np.linalg.inv(matrix), found[:, :2]), found[:, 2]])

    def inside(photo, places):
        there = transfer(matrices[photo], places) if photo in matrices else np.full_like(places, -1)
        return ((there > 0) & (there < [width - 1, height - 1])).all(axis=1)

    lamps = glare.followed(seen, inside)
    return {k: waiting.put(glare.veils(lamps[k], height // light.BLOCK, width // light.BLOCK)) for k in matrices}


def on_plane(matrices, sights, glass, scale):
    """{photo: (which of the sights are its own, where they lie in its laid light proxy, (m, 2))}."""
    where = {}
    for k, matrix in matrices.items():
        own = np.flatnonzero(sights["photo"] == k)
        at = reduced(lens.to_straight(glass, sights["at"][own]), scale)
        where[k] = own, transfer(np.linalg.inv(matrix), at)
    return where


def places_seen(where, values, veils, sights, glass):
    """Lasting places as drift.drift wants them: photo, point, log brightness and squared distance from the axis.

    where: on_plane(); values: {photo: log brightness there}. After these, what lamps spread there, (m, bells).
    """
    value = np.full(len(sights["photo"]), np.nan)
    veil = np.zeros((len(value), len(glare.BELLS)), np.float32)
    for k, (own, at) in where.items():
        value[own] = values[k]
        blocks = np.float32((at - (light.BLOCK - 1) / 2) / light.BLOCK)[None]
        if len(own):
            # OpenCV takes no more than four channels at once.
            own_veils = veils[k]()
            for bell in range(veil.shape[1]):
                there = cv2.remap(own_veils[..., bell], blocks, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                veil[own, bell] = there[0]
    inside = np.isfinite(value)
    rim = np.square(sights["at"] - glass["middle"]).sum(axis=1) / glass["radius"] ** 2
    return tuple(column[inside] for column in (sights["photo"], sights["point"], value, rim, veil))


def laying(photo, hold, scale):
    """The 3x3 matrix that lays a photo's light proxy on the reference's: from that one's pixels to its own.

    The warp steadies but leaves the size that the walk changes; here the hold point's surroundings are brought to the
    reference's size as well.
    """
    up, size = enlarging(scale), photo["scale"]
    about_hold = np.array([[size, 0, hold[0] * (1 - size)], [0, size, hold[1] * (1 - size)], [0, 0, 1]])
    return np.linalg.inv(up) @ np.array(photo["matrix"]) @ about_hold @ up


def lay(rgb, clipped, matrix, glass, scale):
    """A photo's light proxy laid on the reference's, at the proxies' scale, without what the lens does: a light.Frame.

    rgb, clipped: the proxy; matrix: laying().
    """
    height, width = clipped.shape
    # Where the blocks' middles lie in the photo, with one more around; between them this is as good as straight.
    rows, columns = (-(-side // light.BLOCK) + 2 for side in clipped.shape)
    there = enlarged(transfer(matrix, middles(rows, columns)), scale)
    there = lens.to_photo(glass, there).reshape(rows, columns, 2)
    places = everywhere(reduced(there, scale), height, width)
    # What lies outside the photo is laid as clipped.
    laid = cv2.remap(
        cv2.merge([rgb, clipped.astype(np.float32)]),
        places,
        None,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(0, 0, 0, 1),
    )
    shade = everywhere(lens.light(glass, there), height, width) if glass["vignetting"] else None
    inside = there[1 : 1 + height // light.BLOCK, 1 : 1 + width // light.BLOCK]
    across, down = np.moveaxis(inside - glass["middle"], -1, 0)
    return light.frame(laid, np.sqrt(across * across + down * down) / glass["radius"], shade)


@functools.cache
def middles(rows, columns):
    """Where the middles of so many blocks lie of which the first is outside: (rows * columns, 2)."""
    return (np.indices((rows, columns))[::-1].reshape(2, -1).T - 1) * light.BLOCK + (light.BLOCK - 1) / 2


def everywhere(values, height, width):
    """float32 (height, width): values at the blocks' middles, and at those around, at every pixel."""
    size = (values.shape[1] * light.BLOCK, values.shape[0] * light.BLOCK)
    every = cv2.resize(np.float32(values), size, interpolation=cv2.INTER_LINEAR)
    return every[light.BLOCK : light.BLOCK + height, light.BLOCK : light.BLOCK + width]


def describe(place, names, size, scale):
    """A place that flickers, in fractions of the reference photo."""
    left, top, right, bottom = (enlarged(np.array(place.box) * light.BLOCK - 0.5, scale) + 0.5) / [*size, *size]
    return {
        **{"x": (left + right) / 2, "y": (top + bottom) / 2, "width": right - left, "height": bottom - top},
        "flicker": 100 * float(np.std(place.flicker)),
        "gains": dict(zip(names, (-place.flicker / np.log(2)).tolist(), strict=True)),
        "pattern": np.round(place.pattern, 3).tolist(),
    }


if __name__ == "__main__":
    stage.run(main)
