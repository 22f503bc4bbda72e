"""Read looks and CDLs with OpenColorIO, wherever they lie."""

import contextlib
import shutil
import tempfile
from pathlib import Path

import PyOpenColorIO as ocio

from files.stage import StageError


def processor(path):
    """The look of a CLF file, ready to be applied to float32 RGB or RGBA in place."""
    with plain(path) as copy:
        transform = ocio.FileTransform(copy)
        return ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()


def read_cdl(path):
    """The ASC CDL of a .cc file. Raises StageError where it is none."""
    try:
        with plain(path) as copy:
            return ocio.CDLTransform.CreateFromFile(copy, "")
    except ocio.Exception:
        raise StageError(f"{path}: holds no ASC CDL that can be read; save it again as a .cc file") from None


@contextlib.contextmanager
def plain(path):
    """The file under a path without signs that OpenColorIO would read as variables, as in "$HOME" or "%d"."""
    with tempfile.TemporaryDirectory(prefix="kerbwalk-") as folder:
        yield str(shutil.copy(path, Path(folder, f"look{Path(path).suffix}")))
