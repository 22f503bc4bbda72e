"""Check an archived shoot, or make its clip again.

  ./scripts/archive verify BAG              is every file what it was when the bag was made
  ./scripts/archive reprocess BAG OUT       make the clip again in OUT, and compare it with the master in the bag

The clip is made by the code in the bag, with the very packages that it was made with: those at hand, those in the bag,
or, downloaded by their checksums, those on its list. On the same class of processor the frames are the same to the bit;
otherwise it is said how much they differ (PSNR of each frame).

Exit status: 0 whole, or the same to the bit; 1 damaged, or not the same; 2 it could not be done (a sentence says why).
"""

import _workflow  # noqa: F401
import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import _bootstrap
from files import bag, checked, compare, stage


def main():
    parser = stage.parser(__doc__)
    parser.prog = "./scripts/archive"
    parser.add_argument("what", choices=["verify", "reprocess"])
    parser.add_argument("bag", type=Path, metavar="BAG")
    parser.add_argument("out", type=Path, metavar="OUT", nargs="?")
    parser.add_argument("--photos", type=Path, metavar="DIR", help="the photos, where the bag has but their checksums")
    parser.add_argument("--today", action="store_true", help="by today's code and packages instead of the bag's")
    args = parser.parse_args()
    try:
        if damage := bag.damage(args.bag, os.cpu_count()):
            print(*damage, sep="\n")
            print(
                "kerbwalk: put back what is gone or spoilt from another copy of the bag, take out what was added, and "
                "verify it again",
                file=sys.stderr,
            )
            return 1
        if args.what == "verify":
            print(f"whole    {bag.shoot_of(args.bag)}: every file of {args.bag} is what it was")
            return 0
        check_place(args.out, args.bag)
        contents = bag.read(args.bag)
        lay_out(contents, args.out.resolve(), args.photos)
        run(contents, args.out.resolve(), args.today)
        return compared(contents, args.out.resolve())
    except stage.StageError as error:
        print(f"kerbwalk: {error}", file=sys.stderr)
        return 2


def check_place(out, folder):
    """Raise StageError where the clip of the bag in the folder cannot be made again in `out`."""
    if out is None:
        raise stage.StageError("say where the clip shall be made again: reprocess BAG OUT, OUT being a new folder")
    if out.resolve().is_relative_to(folder.resolve()):
        raise stage.StageError(f"{out} lies in the bag, to which nothing may be added; name a folder elsewhere")
    if out.exists() and not (out.is_dir() and not any(out.iterdir())):
        raise stage.StageError(f"{out} exists and is no empty folder; name a new folder, or move away what is there")


def lay_out(contents, out, photos):
    """A night of the one shoot: links to its photos, and its settings as they were."""
    shoot = out / "shoots" / contents.shoot
    kept = contents.data / "shoot"
    files = {bag.listed_as(file.relative_to(kept).as_posix()): file for file in kept.rglob("*") if file.is_file()}
    links = {}
    for photo in contents.photos["photos"]:
        links[photo["name"]] = files.pop(bag.listed_as(photo["name"]), None) or found(photo, photos)
    # Once nothing is amiss, so that OUT is empty still when the right photos are named.
    for name, file in (links | files).items():
        link(file, shoot / name)
    # The command for the end of a night is not for this one, nor may a bag of others name one. Code of before there was
    # such a setting refuses it.
    night = {name: None if name == "on_finish" else value for name, value in contents.settings["night"].items()}
    for path, table in ((shoot / "shoot.yaml", contents.settings["shoot"]), (out / "night.yaml", night)):
        path.write_text(json.dumps(table, ensure_ascii=False), encoding="utf-8")


def found(photo, folder):
    """A photo that the bag has but the checksum of, in the folder where the photos lie."""
    if folder is None:
        raise stage.StageError("this bag has the photos' checksums alone; say where they lie (--photos DIR)")
    source = folder / photo["name"]
    if not source.exists():
        raise stage.StageError(f"{source}: there is no such photo; name the folder that was the shoot's (--photos DIR)")
    if checked.checksum(source) != photo["checksum"]:
        raise stage.StageError(f"{source}: this is not the photo that the clip was made of; find the right one")
    return source


def link(source, place):
    place.parent.mkdir(parents=True, exist_ok=True)
    place.symlink_to(source.resolve())


def run(contents, out, today):
    """Run the night, by the bag's code and packages or by today's."""
    code, variables = _bootstrap.REPO, dict(os.environ)
    if not today:
        # What is started where it lies leaves compiled code behind.
        code = Path(shutil.copytree(contents.data / "code", out / "code"))
        wanted = hashlib.sha256((code / "envs" / "default.txt").read_bytes()).hexdigest()
        here = json.loads(Path(_bootstrap.base_of(Path(sys.prefix)), _bootstrap.STAMP).read_text(encoding="utf-8"))
        if here["requirements"]["default.txt"] != wanted:
            variables["KERBWALK_ENV"] = str(out / "environment")
            if (wheels := contents.data / "wheels").exists():
                # As a URL, since pip takes a path with a space for two.
                variables |= {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": wheels.resolve().as_uri()}
    places = [f"shoots={out / 'shoots'}", f"results={out / 'results'}"]
    command = [sys.executable, code / "scripts" / "run", "--configfile", out / "night.yaml", "--config", *places]
    if subprocess.call(command, env=variables):
        raise stage.StageError("the clip could not be made again; the lines above say why")


def compared(contents, out):
    """Say whether the frames are the same, and what else is another; the exit status."""
    old, new = contents.data / "results", out / "results" / contents.shoot
    frames = [hashes(folder / "master.framemd5") for folder in (old, new)]
    if len(frames[0]) != len(frames[1]):
        print(f"differs  the clip has {len(frames[1])} frames instead of {len(frames[0])}")
        return 1
    differing = [k for k, (was, now) in enumerate(zip(*frames, strict=True)) if was != now]
    if not differing:
        print(f"the same {contents.shoot}: all {len(frames[0])} frames, to the bit")
        return 0
    psnr = compare.psnr(new / "master.mkv", old / "master.mkv")
    print(f"differs  {contents.shoot}: {len(differing)} of {len(frames[0])} frames; PSNR in dB by frame, from 1:")
    print("        ", ", ".join(f"{k + 1}: {psnr[k]:.1f}" for k in differing))
    for what, was, now in other_parts(contents.environment, bag.environment()):
        print(f"another  {what}: {now}, and was {was}")
    return 1


def hashes(path):
    """Of each frame, and of the picture's size."""
    lines = path.read_text(encoding="ascii").splitlines()
    return [line.rpartition(",")[2].strip() for line in lines if not line.startswith("#")]


def other_parts(was, now):
    """What is another in the environment: (what, was, is)."""
    flat = [table | table["packages"] for table in (was, now)]
    names = sorted(set(flat[0]) | set(flat[1]) - {"packages"})
    return [(n, flat[0].get(n), flat[1].get(n)) for n in names if n != "packages" and flat[0].get(n) != flat[1].get(n)]


if __name__ == "__main__":
    sys.exit(main())
