"""Shoots of the demo: raw photos of a walk through the invented town, and the truth beside them.

`make(out_dir, spec)` writes out_dir/shoots/<name>/KW_0101.dng ... and out_dir/truth/<name>.json. The truth,
with axes and pixels as in demo/camera.py, and everything about the upright picture unless it says otherwise
(what the lens draws elsewhere, spec.lens, counts in `hold` and `hold_fraction` alone):

    name, spec        what was asked for
    size              [W, H], pixels
    K                 3x3, pixels
    reference         file name of the middle photo
    hold_fraction     [fx, fy] of the hold point (the clock's centre) in the reference; x = fx W - 0.5
    hold_xyz          the hold point, metres
    frames            one a photo, in order:
        photo             file name
        R, t              world to camera, x = R X + t, metres
        hold              [x, y] of the hold point, pixels
        gain              flicker, a factor on all light of this photo
        exposure_stops    exposure against the first photo, stops
        told_stops        the same as EXIF tells it
        light_stops       slow true change of all light since the first photo, stops (dusk is below zero)
        bumped            whether the aim was knocked
        beat              light of the lamp that flickers by itself, a factor
        beat_at           [x, y] of that lamp, pixels
        bus               whether a bus passes, whose light falls on most of the picture
    points            static textured points that the reference sees with nothing in front of them (walkers
                      aside): xyz in metres, depth_class far (beyond 25 m of the reference), mid (12 to
                      25 m) or near
    edges             [[[x, y, z], [x, y, z]], ...] ends, metres, of straight lines that the reference sees from end to
                      end: faces' borders, and lines across their middles
    card              [[x, y, z], ...] corners of the grey board, lower left and upper right, metres; [] without one
    hot_pixels        [[x, y], ...] on the sensor as it lies in the file, not turned upright
    black, white      sensor levels
    rgb_to_sensor     3x3, linear BT.709 scene light to fractions of the range from black to white
    neutral_kelvin    the lamp light that the as-shot white balance takes for white
    made_by           fingerprint of the generator's source

The light on the sensor is the scene's times gain * 2^(exposure_stops + light_stops). The clock's hands stand
still. A passing bus adds its light to what it passes, and people and cars cover and cross the picture: these
are no part of the gain.
"""

import hashlib
import json
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from demo import camera, dng, photo, places, render, town, walk
from demo.walk import ShootSpec

__all__ = ["STANDARD", "ShootSpec", "make", "surfaces"]

MAKER, MODEL = "Lumenwright", "Noctule 2"
EXPOSURE_S, F_NUMBER, ISO, INTERVAL_S = 3.0, 5.6, 100, 13
LONG = 0.06  # part of the picture's width: shorter edges are not told
STANDARD = (
    ShootSpec(name="tram-square", size=(2400, 1600), frames=60, seed=11, bumped=(37,)),
    ShootSpec(
        name="ferry-stairs",
        size=(2272, 1704),
        frames=48,
        seed=23,
        place="stairs",
        walk="arc",
        longest_m=9.0,
        dusk_stops=0.5,
        exposure_changes=((29, 2 / 3),),
    ),
)


def make(out_dir: Path | str, spec: ShootSpec, jobs: int = 1) -> dict:
    """Write a shoot and its truth, and give the truth; photos already whole from this request are kept."""
    shoot, truth_file = Path(out_dir) / "shoots" / spec.name, Path(out_dir) / "truth" / f"{spec.name}.json"
    shoot.mkdir(parents=True, exist_ok=True)
    truth_file.parent.mkdir(parents=True, exist_ok=True)
    for stale in shoot.glob(".*.part"):  # left by a run that was killed
        stale.unlink()
    truth = _truth(spec)
    text = json.dumps(truth, indent=1)
    if not truth_file.exists() or truth_file.read_text() != text:
        for old in shoot.glob("KW_*.dng"):
            old.unlink()
        part = truth_file.with_name(f".{truth_file.name}.{os.getpid()}.part")
        part.write_text(text)
        part.replace(truth_file)
    missing = [index for index in range(spec.frames) if not (shoot / _file_name(index)).exists()]
    if jobs == 1 or len(missing) < 2:
        for index in missing:
            _shoot(shoot, spec, index)
    else:
        # Spawned, not forked: the caller may have threads running.
        context = multiprocessing.get_context("spawn")
        with TemporaryDirectory() as shared:
            town.save(walk.town_of(spec), Path(shared))
            pool = ProcessPoolExecutor(
                min(jobs, len(missing)), context, initializer=walk.use_town, initargs=(spec, Path(shared))
            )
            with pool:
                for _ in pool.map(partial(_shoot, shoot, spec), missing):
                    pass
    return truth


def _file_name(index: int) -> str:
    return f"KW_{101 + index:04d}.dng"


def _shoot(folder: Path, spec: ShootSpec, index: int) -> None:
    """Render and write photo `index`."""
    mosaic = photo.photograph(spec, index)
    crop_factor = 1.5 if 2 * spec.size[0] == 3 * spec.size[1] else 2.0
    pixels_per_cm = 10 * np.hypot(*spec.size) * crop_factor / camera.FILM_DIAGONAL_MM
    focal_mm = spec.film_mm / crop_factor
    moment = datetime(2031, 3, 14, 21, 4, 10) + timedelta(seconds=INTERVAL_S * index, milliseconds=370 * index % 1000)
    when = moment.strftime("%Y:%m:%d %H:%M:%S")
    exif = [
        (33434, dng.RATIONAL, [EXPOSURE_S * 2 ** walk.told_stops(spec, index)]),
        (33437, dng.RATIONAL, [F_NUMBER]),
        (34850, dng.SHORT, [1]),  # ExposureProgram: manual
        (34855, dng.SHORT, [ISO]),
        (36864, dng.UNDEFINED, b"0232"),  # ExifVersion
        (36867, dng.ASCII, when),  # DateTimeOriginal
        (36881, dng.ASCII, "+01:00"),  # OffsetTimeOriginal
        (37386, dng.RATIONAL, [focal_mm]),
        (37521, dng.ASCII, f"{moment.microsecond // 10_000:02d}"),  # SubSecTimeOriginal
        (41486, dng.RATIONAL, [pixels_per_cm]),  # FocalPlaneXResolution
        (41487, dng.RATIONAL, [pixels_per_cm]),
        (41488, dng.SHORT, [3]),  # FocalPlaneResolutionUnit: centimetre
        (41989, dng.SHORT, [spec.film_mm]),
        (42036, dng.ASCII, f"{MAKER} {focal_mm:g} mm"),  # LensModel
    ]
    dng.write(
        folder / _file_name(index),
        mosaic,
        black=photo.BLACK,
        white=photo.WHITE,
        xyz_to_camera=camera.XYZ_TO_CAMERA,
        neutral=camera.neutral(photo.NEUTRAL_KELVIN),
        orientation=spec.orientation,
        camera=(MAKER, MODEL),
        exif=exif,
        when=when,
    )


def _truth(spec: ShootSpec) -> dict:
    """The content of the truth file, as the head of this module describes it."""
    K, hold = walk.lens(spec), walk.town_of(spec).hold
    middle = spec.frames // 2
    frames = []
    for index in range(spec.frames):
        R, t = walk.pose(spec, index)
        frames.append(
            {
                "photo": _file_name(index),
                "R": R.tolist(),
                "t": t.tolist(),
                "hold": camera.drawn(camera.project(K, R, t, hold[None])[0, :2], spec.lens, spec.size).tolist(),
                "gain": walk.gain(spec, index),
                "exposure_stops": walk.exposure_stops(spec, index),
                "told_stops": walk.told_stops(spec, index),
                "light_stops": walk.light_stops(spec, index),
                "bumped": index in spec.bumped,
                "beat": walk.beat(spec, index),
                "beat_at": camera.project(K, R, t, walk.beating_lamp(spec)[None])[0, :2].tolist(),
                "bus": walk.bus_passes(spec)[0] <= index < walk.bus_passes(spec)[1],
            }
        )
    return {
        "name": spec.name,
        "spec": json.loads(json.dumps(asdict(spec))),
        "size": list(spec.size),
        "K": K.tolist(),
        "reference": _file_name(middle),
        "hold_fraction": ((np.array(frames[middle]["hold"]) + 0.5) / spec.size).tolist(),
        "hold_xyz": hold.tolist(),
        "frames": frames,
        "points": _points(spec, middle),
        "edges": _edges(spec, middle),
        "card": [[x, places.CARD[2], z] for x, z in places.CARD[:2]] if spec.card else [],
        "hot_pixels": photo.hot_pixels(spec)[0].tolist(),
        "black": photo.BLACK,
        "white": photo.WHITE,
        "rgb_to_sensor": camera.rgb_to_sensor(photo.NEUTRAL_KELVIN).tolist(),
        "neutral_kelvin": photo.NEUTRAL_KELVIN,
        "made_by": _fingerprint(),
    }


def _points(spec: ShootSpec, index: int, most: int = 300) -> list[dict]:
    """Up to `most` world points of each depth class at corners of the texture that photo `index` sees.

    They are picked in a small clean picture from the same place; the face that the pixel shows puts the point
    at its exact place in the world. Pixels near the border of a face are left out: a corner there may
    be made by two faces at different depths.
    """
    whole, depth, light, place = _surface(spec, index)
    grey = np.uint8(255 * np.clip(light, 0, 1) ** (1 / 2.4))
    points = []
    for name, low, high in (("far", 25, 200), ("mid", 12, 25), ("near", 0, 12)):
        mask = np.uint8(whole & (depth > low) & (depth <= high))
        corners = cv2.goodFeaturesToTrack(grey, most, 0.02, 7, mask=mask)
        for x, y in np.zeros((0, 2)) if corners is None else corners[:, 0].astype(int):
            points.append({"xyz": place(x, y).tolist(), "depth_class": name})
    return points


def surfaces(spec: ShootSpec, index: int, apart: int, most_m: float) -> np.ndarray:
    """World points (n, 3), metres, of what photo `index` shows within most_m metres, textured or not.

    apart: distance of neighbours, pixels of a picture at most 1200 long; what is narrower than nine is left out.
    """
    whole, depth, _, place = _surface(spec, index)
    rows, columns = np.mgrid[apart // 2 : depth.shape[0] : apart, apart // 2 : depth.shape[1] : apart].reshape(2, -1)
    shown = whole[rows, columns] & (depth[rows, columns] < most_m)
    return np.array([place(x, y) for x, y in zip(columns[shown], rows[shown], strict=True)]).reshape(-1, 3)


def _surface(spec: ShootSpec, index: int) -> tuple:
    """Of a small clean picture from where photo `index` was taken: whether pixels lie well inside of a face (h, w),
    depth in metres, light, and a function of a pixel (x, y) that gives its place in the world."""
    scene = walk.town_of(spec).scene
    _, maps, light, near, faces = _small(spec, index)
    block = np.ones((9, 9), np.uint8)
    numbered = faces.astype(np.float32)  # exact: there are far fewer faces than 2^24
    whole = cv2.dilate(numbered, block) == cv2.erode(numbered, block)

    def place(x, y):
        face = faces[y, x]
        a, b, inverse = maps[face] @ [x, y, 1]
        return scene.origin[face] + a / inverse * scene.u[face] + b / inverse * scene.v[face]

    return whole, 1 / np.maximum(near, 1e-6), light, place


def _edges(spec: ShootSpec, index: int) -> list:
    """Lines on the faces (borders and middles) that photo `index` sees from end to end, or parts of them."""
    scene = walk.town_of(spec).scene
    K, *_, faces = _small(spec, index)
    R, t = walk.pose(spec, index)
    height, width = faces.shape
    steps, found = (np.arange(64) + 0.5)[:, None] / 64, []
    for face, (origin, u, v) in enumerate(zip(scene.origin, scene.u, scene.v, strict=True)):
        if max(np.linalg.norm(u), np.linalg.norm(v)) > 150:  # the sky
            continue
        for along, across in ((u, v), (v, u)):
            for part in (0.0, 0.5, 1.0):
                line = origin + part * across + steps * along
                # looked for a little inside of a border, as its own pixels show either side
                inner = line + (0.5 - part) * 0.04 * across
                seen = (inner @ R.T + t) @ K.T
                at = np.rint(seen[:, :2] / seen[:, 2:]).astype(int)
                inside = (seen[:, 2] > 0.3) & ((at >= 0) & (at < (width, height))).all(axis=1)
                inside[inside] = faces[at[inside, 1], at[inside, 0]] == face
                shown = np.flatnonzero(inside)
                for run in np.split(shown, np.flatnonzero(np.diff(shown) > 3) + 1):
                    if len(run) > 1 and np.hypot(*(at[run[-1]] - at[run[0]])) > LONG * width:
                        found.append(line[run[[0, -1]]].tolist())
    return found


def _small(spec: ShootSpec, index: int) -> tuple:
    """A small clean picture from where photo `index` was taken: K of it, its maps (see render.view), and light,
    1 / depth and faces (h, w).
    """
    scene = walk.town_of(spec).scene
    scale = min(1, 1200 / max(spec.size))
    width, height = (round(side * scale) for side in spec.size)
    K, (R, t) = camera.intrinsics((width, height), spec.film_mm), walk.pose(spec, index)
    maps, boxes = render.view(scene.origin, scene.u, scene.v, K, R, t)
    light, near = np.empty((2, height, width), np.float32)
    faces = np.empty((height, width), np.int32)
    one_channel, nothing = np.zeros((2, 2), np.int64), np.zeros((0, 6))
    luminance = camera.rgb_to_xyz()[[1, 1, 1]]
    render.cast(0, maps, boxes, scene, nothing, luminance, one_channel, light, near, faces)
    return K, maps, light, near, faces


def _fingerprint() -> str:
    """SHA-256 over the generator's own source, so that photos of another version are made again."""
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()
