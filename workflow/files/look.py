"""Read looks, CDLs and display transforms with OpenColorIO, wherever they lie."""

import contextlib
import shutil
import tempfile
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio

from files.stage import StageError
from kerbwalk import colour


def processor(path):
    """The look of a CTF or CLF file, ready to be applied to float32 RGB in place, at OpenColorIO's full accuracy."""
    with plain(path) as copy:
        transform = ocio.FileTransform(copy)
        exact = ocio.Config.CreateRaw().getProcessor(transform)
        return exact.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)


def read_cdl(path):
    """The one ASC CDL of a .cc, .ccc or .cdl file. Raises StageError where it is none, or several."""
    try:
        with plain(path) as copy:
            found = list(ocio.CDLTransform.CreateGroupFromFile(copy))
    except ocio.Exception as error:
        said = str(error).rpartition("CDLOpData: ")[2] if "CDLOpData" in str(error) else "no ASC CDL that can be read"
        raise StageError(f"{path}: {said.strip()}; save the grade again as a .cc file") from None
    if len(found) != 1:
        raise StageError(f"{path}: holds {len(found)} grades; keep the one that is meant")
    if not np.isfinite([*found[0].getSOP(), found[0].getSat()]).all():
        raise StageError(f"{path}: holds values that are no numbers; save the grade again as a .cc file")
    return found[0]


def read_lut(path):
    """The transform of a .cube, .clf or .ctf file, for BT.709 signals of a BT.1886 display. Raises StageError.

    A cube whose file does not say how it is interpolated is taken in tetrahedra, which keep greys grey.
    """
    try:
        with plain(path) as copy:
            group = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(copy)).createGroupTransform()
    except ocio.Exception as error:
        # Of a .cube each of several readers says what it missed; the first one's own words are enough.
        said = str(error).strip().splitlines()[-1].partition("'resolve_cube' failed")[0].rpartition("look.cube).")[2]
        said = " ".join(said.split()).rstrip(".")
        raise StageError(f"{path}: cannot be read as a look ({said}); export it again as .cube or .clf") from None
    numbers = [np.asarray(t.getData()) for t in group if hasattr(t, "getData")]
    numbers += [np.asarray([*t.getMatrix(), *t.getOffset()]) for t in group if isinstance(t, ocio.MatrixTransform)]
    if not all(np.isfinite(part).all() for part in numbers):
        raise StageError(f"{path}: holds values that are no numbers; export it again")
    for table in group:
        if isinstance(table, ocio.Lut3DTransform) and table.getInterpolation() == ocio.INTERP_DEFAULT:
            table.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    return group


def display_view(config, display, view):
    """The transform from the working space to the signal of a display, by a view of an OpenColorIO config.

    config: a file, or the name of one that comes with the library, as "ocio://...". Raises StageError where it, the
    display or the view is not there.
    """
    try:
        found = ocio.Config.CreateFromFile(config)
    except (ocio.Exception, ocio.ExceptionMissingFile) as error:
        known = ", ".join(f"ocio://{entry[0]}" for entry in ocio.BuiltinConfigRegistry().getBuiltinConfigs())
        why = str(error).strip().splitlines()[0]
        raise StageError(
            f"look.display.config {config!r} cannot be read ({why}); name a file, or one of {known}"
        ) from None
    for kind, name, names in (
        ("display", display, list(found.getDisplays())),
        ("view", view, list(found.getViews(display)) if display in found.getDisplays() else []),
    ):
        if name not in names:
            raise StageError(f"look.display.{kind} {name!r} is not in {config}; it has {', '.join(names)}")
    # OpenColorIO's own interchange space is ACES2065-1, whose white is near D60.
    to_aces = ocio.BuiltinTransform("UTILITY - ACES-AP0_to_CIE-XYZ-D65_BFD", ocio.TRANSFORM_DIR_INVERSE)
    to_xyz = np.eye(4)
    to_xyz[:3, :3] = colour.rgb_to_xyz(colour.BT2020, colour.D65)
    group = ocio.GroupTransform()
    group.appendTransform(ocio.MatrixTransform(to_xyz.ravel().tolist()))
    group.appendTransform(to_aces)
    group.appendTransform(ocio.DisplayViewTransform("aces_interchange", display, view))
    try:
        return found.getProcessor(group)
    except ocio.Exception as error:
        raise StageError(f"look.display: {config} cannot show {view!r} ({str(error).strip()}); name another") from None


@contextlib.contextmanager
def plain(path):
    """The file under a path without signs that OpenColorIO would read as variables, as in "$HOME" or "%d"."""
    with tempfile.TemporaryDirectory(prefix="kerbwalk-") as folder:
        yield str(shutil.copy(path, Path(folder, f"look{Path(path).suffix}")))
