"""Another pace for the clip: slower or quicker, softly started and ended, held, turned round, or made into a loop.

A clip is a list of frames, each a list of (photo, share); a retimed one is another such list, so that its frames are
composed from the photos like any others, in scene-linear light and by a single interpolation.
"""

import numpy as np

from kerbwalk import mesh
from kerbwalk.homography import transfer

# A crossfade lasts so many seconds, but at most this part of the clip.
CROSSFADE, AT_MOST = 1.0, 1 / 3
# Of the iteration for where in the first frame lies what is seen from between.
ROUNDS = 5


def retimed(frames, rate, pace):
    """The frames of a clip at another pace.

    frames: [[(photo, share), ...], ...]; rate: frames a second; pace: dict of speed (photos a frame: 0.5 makes the clip
    twice as long), between (nearest, or blend or move: neighbours by their nearness in time, as they are or each as
    seen from there), ease (part of the clip over
    which it starts and ends softly, 0 to 0.5), hold_first and hold_last (seconds that the first and last frame stand
    longer), reverse, and loop (none, forth_and_back, or crossfade: its end goes over into its beginning).
    Returns a list of the same form; a photo as seen from between two is (name, name of the next one, part of the way,
    0 or 1: which of the two it is), see views(). Its length, of n frames, is m = round((n - 1) / speed) + 1, whatever
    the ease; forth and back 2 m - 2, or 1 of 1; with a crossfade m less the frames that it lasts; and on top of that
    the holds, round(seconds * rate) each.
    """
    places = positions(len(frames), pace["speed"], pace["ease"])
    if pace["reverse"]:
        places = places[::-1]
    if pace["loop"] == "forth_and_back" and len(places) > 1:
        places = np.concatenate([places, places[-2:0:-1]])
    made = [at(frames, place, pace["between"]) for place in places]
    if pace["loop"] == "crossfade":
        made = crossfaded(made, min(round(CROSSFADE * rate), int(len(made) * AT_MOST)))
    first, last = (round(pace[key] * rate) for key in ("hold_first", "hold_last"))
    return [*[made[0]] * first, *made, *[made[-1]] * last]


def positions(count, speed, ease):
    """Where in the clip each new frame lies: float (m,), from 0 to count - 1, whole numbers being the clip's frames.

    Over the eased parts the pace rises as (1 - cos) / 2 and falls likewise; it is the integral of that.
    """
    time = np.linspace(0, 1, round((count - 1) / speed) + 1) if count > 1 else np.zeros(1)
    if ease:
        time = np.where(time < 0.5, _eased(np.minimum(time, 0.5), ease), 1 - _eased(np.minimum(1 - time, 0.5), ease))
    return time * (count - 1)


def _eased(time, ease):
    """Way gone since a soft start, for times up to the middle, in parts of the whole way."""
    soft = np.minimum(time, ease)
    return ((soft - ease / np.pi * np.sin(np.pi * soft / ease)) / 2 + (time - soft)) / (1 - ease)


def at(frames, place, between):
    """What a clip shows at a place between its frames."""
    before = min(int(place), len(frames) - 1)
    after = min(before + 1, len(frames) - 1)
    part = place - before
    if between == "nearest":
        return frames[after if part >= 0.5 else before]
    # A frame that stands in for a photo is made of two already.
    if between == "move" and 1e-6 < part < 1 - 1e-6 and len(frames[before]) == len(frames[after]) == 1:
        names = [frames[k][0][0] for k in (before, after)]
        return [((*names, round(part, 6), which), share) for which, share in enumerate((1 - part, part))]
    return mixed([(frames[before], 1 - part), (frames[after], part)])


def crossfaded(frames, length):
    """A clip whose last frames are laid over its first ones, so that it can follow itself."""
    if not length:
        return frames
    end = len(frames) - length
    shares = np.arange(1, length + 1) / (length + 1)
    start = [mixed([(frames[end + k], 1 - share), (frames[k], share)]) for k, share in enumerate(shares)]
    return start + frames[length:end]


def mixed(parts):
    """One frame of several: [(frame, share), ...] to [(photo, share), ...]."""
    shares = {}
    for frame, share in parts:
        for photo, own in frame:
            shares[photo] = shares.get(photo, 0.0) + float(share * own)
    return [(photo, share) for photo, share in shares.items() if share > 1e-6]


def views(way, part, size):
    """How two photos are seen from between them.

    way: the records of warps.json from the one to the other; part: 0..1 of the way; size: (width, height) of the plane.
    Returns for each of the two (matrix, grid): from the plane as it is shown there to the photo, as in warps.json.
    What the plane shows at a point of the first photo's frame goes evenly to where it is in the second's: the frames
    are known to lie on the even walk, along which one step is as good as straight.
    """
    flow = np.eye(3)
    for record in way[:-1]:
        flow = np.array(record["ahead"]["matrix"]) @ flow
    here = (1 - part) * np.eye(3) + part * flow / flow[2, 2]
    nodes = mesh.nodes(size)
    there = nodes.reshape(-1, 2)
    first = transfer(np.linalg.inv(here), there)
    for _ in range(ROUNDS):
        last = first
        for record in way[:-1]:
            last = led(record["ahead"], last, size)
        first = first + there - ((1 - part) * first + part * last)
    seen = []
    for photo, places, to_frame in ((way[0], first, np.eye(3)), (way[-1], last, flow)):
        matrix = np.array(photo["matrix"]) @ to_frame @ np.linalg.inv(here)
        matrix /= matrix[2, 2]
        seen.append((matrix, (led(photo, places, size) - transfer(matrix, there)).reshape(nodes.shape)))
    return seen


def led(warp, points, size):
    """Points (n, 2) where a warp {matrix, grid} leads."""
    found = transfer(np.array(warp["matrix"]), points)
    return found if warp["grid"] is None else found + mesh.at(warp["grid"], points, size)
