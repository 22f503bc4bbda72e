"""How every stage's script starts and ends: its arguments, its errors in a sentence, its outputs whole."""

import argparse
import contextlib
import errno
import faulthandler
import gc
import json
import os
import re
import shlex
import shutil
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path

from files import clock

MARK = "kerbwalk: "
# Links to the shoots' folders, in the folder of the results.
WAYS = ".kerbwalk/photos"
# A job hangs that takes so many times the minutes which it asks a scheduler for; those are four times what it takes.
PATIENCE = 3
# Seconds for the last sentence of such a job.
LAST_WORDS = 3
# What a file is told by whose disk has gone.
AWAY = (errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENOTCONN, errno.ESTALE, errno.EIO)

# What may not be done with new files, which temporary ones do not heed. Only who sets it is told it.
os.umask(UMASK := os.umask(0))


class StageError(Exception):
    """A stage cannot go on; the text is one sentence: what, where, what to do."""


def parser(docstring):
    """An argument parser that shows a script's docstring as its help."""
    return argparse.ArgumentParser(
        description=docstring, formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False
    )


def run(main):
    """Run a script's main(); an error ends in one marked sentence on standard error and status 1.

    So does a job that hangs, where the variable KERBWALK_MINUTES names how many it asks for; its log begins with the
    command that does the same by hand.
    """
    # All that was loaded stays, and would be looked through for garbage again and again.
    gc.freeze()
    gc.enable()
    if minutes := os.environ.get("KERBWALK_MINUTES"):
        print(f"{shlex.join(['cd', os.getcwd()])} && {shlex.join([sys.executable, *sys.argv])}", file=sys.stderr)
        _end_after(60 * PATIENCE * float(minutes))
    begun = time.monotonic_ns()
    try:
        main()
        if minutes:
            _put_clock_right(time.monotonic_ns() - begun)
    except StageError as error:
        _fail(str(error))
    except OSError as error:
        if error.errno == errno.ENOSPC:
            _fail(f"{_full()} is full; make room and start the same command again")
        if error.errno == errno.EROFS:
            _fail(f"{error.filename} has turned read-only; see what befell its disk, and start the same command again")
        if error.errno in (errno.EACCES, errno.EPERM):
            _fail(f"{error.filename}: cannot be written or read ({error.strerror}); change its permissions")
        if error.errno in AWAY and error.filename:
            _fail(
                f"{error.filename}: cannot be found or read any more ({error.strerror}); see whether its disk is "
                "connected, and start the same command again"
            )
        traceback.print_exc()
        _fail(f"{Path(sys.argv[0]).stem}: {error}")
    except Exception as error:
        traceback.print_exc()
        _fail(f"{Path(sys.argv[0]).stem}: unexpected {type(error).__name__}: {error}")
    # All is written: to take the interpreter and its libraries apart would take up to half a second.
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)


def _full():
    """What a full disk holds: the results, in which a job works, or what it needs for a moment, maybe elsewhere."""
    moment = tempfile.tempdir
    if moment and os.stat(moment).st_dev != os.stat(".").st_dev:
        return f"the disk that holds the results, or that of {moment} (the variable TMPDIR),"
    return "the disk that holds the results"


def _put_clock_right(took):
    """See that what this job has made is not older than what it was made from, where the clock was set back since:
    Snakemake would take that for a failure, again at every run.

    took: nanoseconds since the job began, which by the present clock is the time that all of its shoot gets which was
    made before: at the start of the next run that would look newer than what was made from it since.
    """
    now = clock.now_in(".")
    words = [word for word in sys.argv[1:] if word and not os.path.isabs(word)]
    for shoot in {word.split("/")[0] for word in clock.put_right(words, now, now - took)}:
        clock.put_right(clock.results_in(shoot), now, now - took)


def _end_after(seconds):
    """End this process after so long, whatever it does then."""

    def end():
        print(
            f"{MARK}{Path(sys.argv[0]).stem} was still at work after {seconds / 60:.0f} minutes and was stopped; see "
            "whether the disks answer, move a photo that cannot be read out of the folder, and start the same command "
            "again",
            file=sys.stderr,
            flush=True,
        )
        os._exit(1)

    watch = threading.Timer(seconds, end)
    watch.daemon = True
    watch.start()
    # A library that keeps all threads of Python waiting is ended without a sentence.
    faulthandler.dump_traceback_later(seconds + LAST_WORDS, exit=True)


@contextlib.contextmanager
def whole(path):
    """A temporary path that becomes `path` only if the block ends well: written, synced, renamed.

    A job that is killed leaves nothing under the true name, so a file that is there is whole; what it
    leaves under the temporary one goes when the file is written the next time.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    prefix = f".writing-{path.name}-"
    for left_over in [entry for entry in os.scandir(path.parent) if entry.name.startswith(prefix)]:
        os.unlink(left_over)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=prefix, suffix=path.suffix)
    os.close(handle)
    try:
        yield temporary
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~UMASK)
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
        raise


@contextlib.contextmanager
def whole_folder(path):
    """A temporary folder that becomes `path`, in the place of what was there, only if the block ends well."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    prefix = f".writing-{path.name}-"
    for left_over in [entry for entry in os.scandir(path.parent) if entry.name.startswith(prefix)]:
        shutil.rmtree(left_over)
    temporary = tempfile.mkdtemp(dir=path.parent, prefix=prefix)
    try:
        yield temporary
        for file in Path(temporary).rglob("*"):
            if file.is_file():
                with open(file, "rb+") as written:
                    os.fsync(written.fileno())
        os.chmod(temporary, 0o777 & ~UMASK)
        shutil.rmtree(path, ignore_errors=True)
        os.replace(temporary, path)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def write_json(path, data):
    """Write a table as JSON, whole or not at all. Floats keep all their digits, NaN is refused.

    Each entry has a line of its own, and so has each record of a list (indents within would need Python's own encoder,
    which takes ten times as long). Arrays may stand for lists: of a long shoot's these take four times the memory.
    """
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, default=lambda array: array.tolist()).encode

    def shown(value):
        if isinstance(value, list) and value and isinstance(value[0], dict | list):
            yield "[\n  "
            for k, record in enumerate(value):
                yield (",\n  " if k else "") + encode(record)
            yield "\n ]"
        else:
            yield encode(value)

    with whole(path) as temporary, open(temporary, "w", encoding="utf-8") as file:
        file.write("{\n ")
        for k, key in enumerate(data):
            file.write((",\n " if k else "") + f"{encode(key)}: ")
            file.writelines(shown(data[key]))
        file.write("\n}\n")


def write_text(path, text):
    """Write a text, whole or not at all."""
    with whole(path) as temporary:
        Path(temporary).write_text(text, encoding="utf-8")


def read_json(path, object_hook=None):
    """Read a table from JSON. object_hook: what is done with each table in it, as for json.loads."""
    return json.loads(Path(path).read_text(encoding="utf-8"), object_hook=object_hook)


def _fail(sentence):
    # Who reads it knows the folder, and not the link that leads there.
    sentence = re.sub(re.escape(WAYS) + r"/[^/\n]+", lambda way: os.path.realpath(way[0]), sentence)
    print(MARK + sentence, file=sys.stderr)
    sys.exit(1)
