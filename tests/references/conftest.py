"""Sample data of others, fetched once where the system's package manager can do it."""

import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

INSTALLED = Path("/usr/share/doc/opencv-doc/examples/data")
WANTED = ("graf1.png", "graf3.png", "H1to3p.xml", "leuvenA.jpg", "leuvenB.jpg")


@pytest.fixture(scope="session")
def opencv_samples(request, tmp_path_factory):
    """Folder of OpenCV's sample pictures, from Debian's package opencv-doc (96 MB): as installed, or taken out of the
    package, which is downloaded (its hash checked by apt) but not installed.
    """
    if all((INSTALLED / name).exists() for name in WANTED):
        return INSTALLED
    kept = Path(request.config.cache.mkdir("opencv-doc"))
    if all((kept / name).exists() for name in WANTED):
        return kept
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        pytest.skip("OpenCV's sample pictures are missing: they come with Debian's opencv-doc, and this is no Debian")
    folder = tmp_path_factory.mktemp("opencv-doc")
    command = ["apt-get", "--quiet", "download", "opencv-doc"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    packages = list(folder.glob("opencv-doc_*.deb"))
    if done.returncode or not packages:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        pytest.skip(f"OpenCV's sample pictures (Debian's opencv-doc) cannot be downloaded: {reason}")
    with (
        subprocess.Popen(["dpkg-deb", "--fsys-tarfile", packages[0]], stdout=subprocess.PIPE) as unpacking,
        tarfile.open(fileobj=unpacking.stdout, mode="r|") as content,
    ):
        for member in content:
            name = Path(member.name).name
            if name in WANTED and "examples/data" in member.name:
                (kept / name).write_bytes(content.extractfile(member).read())
    return kept
