"""Run Snakemake on the shoots: started by `run`, with the Python of the environment."""

import contextlib
import errno
import fcntl
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import _profile
import _slurm
from _arguments import SettingsError, places, snakemake_options, take_apart
from _bootstrap import REPO, base_of, locked, stop
from _progress import Progress
from _relay import Relay
from _snapshot import keep

LOCK = ".kerbwalk.lock"
MARK = "KERBWALK_RUN"  # variable by which the processes of a run are known: the results folder
TRACE = ".kerbwalk-traceback.txt"
PATIENCE = 5  # seconds after an interrupt within which another one is taken for the same
FAILED, NOT_BEGUN, BUSY = 1, 2, 3  # exit status: a job failed; nothing could be started; another run is at work


def main(argv: list[str]) -> int:
    if {"-v", "--version"} & set(argv):
        return subprocess.call([sys.executable, "-m", "snakemake", "--version"])
    cwd = Path.cwd()
    try:
        arguments = take_apart(argv, cwd)
        shoots, results, demo = places(arguments, cwd, REPO)
    except SettingsError as error:
        stop(str(error))
    if not demo:
        check_shoots(shoots)
    check_results(results)
    with contextlib.ExitStack() as held:
        lock = None if arguments.informing else held.enter_context(hold(results))
        if demo:
            make_demo(shoots.parent)
        if lock:
            _slurm.end_leftovers(results)
            end_leftovers(results)
        code = keep(REPO, code_store(results)) if lock else REPO
        options = snakemake_options(arguments, shoots, results, cwd, code)
        if lock and _profile.executor(argv, cwd, REPO) == "slurm":
            options = ["--slurm-jobname-prefix", _slurm.job_name(results), *options]
            write_trace(results)
        status = run_snakemake(options, results, code, at_work=lock is not None)
        if lock:
            (results / _slurm.TRACE).unlink(missing_ok=True)
        return status


def check_shoots(shoots: Path) -> None:
    if not shoots.exists():
        stop(f"the shoots folder {shoots} does not exist: correct the path (shoots=DIR).")
    if not shoots.is_dir():
        stop(f"{shoots} is a file: shoots=DIR must name a folder that holds a folder of photos for each shoot.")
    if not os.access(shoots, os.R_OK | os.X_OK):
        stop(f"the shoots folder {shoots} may not be read: change its permissions.")


def check_results(results: Path) -> None:
    """Create the folder and write into it now, not after hours of work."""
    try:
        results.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=results) as probe:
            probe.write(b"\0" * 65536)
            probe.flush()
            os.fsync(probe.fileno())
    except OSError as error:
        reasons = {
            errno.ENOSPC: "its disk is full: free some space, or name another folder",
            errno.EDQUOT: "its disk quota is used up: free some space, or name another folder",
            errno.EROFS: "its disk is read-only: name another folder",
            errno.EACCES: "you may not write there: change its permissions, or name another folder",
            errno.EEXIST: "a file of this name is there: name another folder",
            errno.ENOTDIR: "a part of its path is a file: name another folder",
        }
        reason = reasons.get(error.errno, f"{error.strerror}: name another folder")
        stop(f"the results folder {results} cannot be written to, as {reason} (results=DIR).")


@contextlib.contextmanager
def hold(results: Path):
    """The exclusive lock on a results folder. The kernel frees it when this process ends in whatever way."""
    with open(results / LOCK, "ab") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            stop(f"another run is at work in {results}: wait until it ends, or name other results.", BUSY)
        yield file


def write_trace(results: Path) -> None:
    trace = results / _slurm.TRACE
    trace.parent.mkdir(exist_ok=True)
    trace.touch()


def code_store(results: Path) -> Path:
    """Where copies of the code are kept: in the environment, so that what is compiled serves all results; with the
    results where somebody else's environment is used."""
    env = base_of(Path(sys.prefix))
    return Path(env if os.access(env, os.W_OK) else results / ".kerbwalk", "code")


def make_demo(folder: Path) -> None:
    """Make the demo shoots unless they are there whole; `scripts/demo` goes on where it was interrupted."""
    whole = folder / ".complete"
    if whole.exists():
        return
    try:
        folder.mkdir(exist_ok=True)
        with locked(folder / LOCK, "waiting for another process to make the demo shoots ..."):
            if whole.exists():
                return
            print(f"no shoots are named: making the demo shoots in {folder} ...", file=sys.stderr, flush=True)
            if subprocess.call([sys.executable, str(REPO / "scripts" / "demo"), str(folder)]):
                stop("the demo shoots could not be made; the lines above say why.", 1)
            whole.touch()
    except OSError as error:
        stop(
            f"the demo shoots cannot be made in {folder} ({error.strerror}): "
            "name shoots of your own (--config shoots=DIR results=DIR)."
        )


def end_leftovers(results: Path) -> None:
    """End what a killed run left at work in this results folder, so that nothing is written by two at once.

    Only to be called with the folder's lock held and no Snakemake of our own at work: whatever then still
    carries the folder's mark has lost its run. Where there is no /proc, nothing is found.
    """
    deadline = time.monotonic() + 30
    while leftovers := _at_work_in(results):
        if time.monotonic() > deadline:
            stop(f"process {leftovers[0]} of an earlier run in {results} does not end: end it and run again.")
        _send(signal.SIGKILL, leftovers)
        time.sleep(0.05)


def _at_work_in(results: Path) -> list[int]:
    """The process numbers of Snakemake and its jobs, known by the mark that they inherit."""
    mark = f"{MARK}={results}"
    return [pid for pid in _other_processes() if b"\0" + os.fsencode(mark) + b"\0" in _environment_of(pid)]


def _send(number: int, pids: list[int]) -> None:
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)


def _other_processes() -> list[int]:
    return [int(entry.name) for entry in Path("/proc").glob("[0-9]*") if int(entry.name) != os.getpid()]


def _environment_of(pid: int) -> bytes:
    """The environment that a process was started with, each variable between zero bytes; empty where it may
    not be read, and for a process that has ended."""
    try:
        return b"\0" + Path(f"/proc/{pid}/environ").read_bytes()
    except OSError:
        return b""


def run_snakemake(options: list[str], results: Path, code: Path, at_work: bool) -> int:
    """Run it, show what it says, and print the closing lines last; returns the exit status.

    The Snakefile writes the closing lines to the file that the variable KERBWALK_CLOSING names; one that
    begins with FAILED makes it FAILED. code: what it runs; at_work: it works in the folder, and doesn't only tell
    something.
    """
    relay, told = Relay(), Relay()
    with tempfile.TemporaryDirectory(prefix="kerbwalk-") as folder:
        closing = Path(folder, "closing.txt")
        unmarked = {k: v for k, v in os.environ.items() if k != MARK}
        variables = unmarked | {"KERBWALK_CLOSING": str(closing)}
        if at_work:
            variables[MARK] = str(results)
            variables["PYTHONPATH"] = os.pathsep.join(str(code / "workflow" / part) for part in ("plugins", ""))
            # Of each job its message, by which a finished one is named (_progress.py).
            options = ["--scheduler", "kerbwalk", "--quiet", "reason", *options]
        # Who is started in a script's background is born deaf to SIGINT: Snakemake is not to inherit that.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        process = subprocess.Popen(
            [sys.executable, "-m", "snakemake", *options],
            env=variables,
            # A signal to our group, as Ctrl-C is, is for us alone, to be passed on once; in the background of a
            # terminal, who reads from it would be stopped.
            process_group=0,
            stdin=subprocess.DEVNULL,
            # What only tells something says there as well why it cannot.
            stdout=None if at_work else subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
        )
        watch = _watch(process, unmarked)
        _pass_signals_on(process, results if at_work else None)
        readers = [threading.Thread(target=_pass_lines_on, args=(process.stderr, relay, results), daemon=True)]
        if not at_work:
            readers.append(threading.Thread(target=_pass_answer_on, args=(process.stdout, told), daemon=True))
        for reader in readers:
            reader.start()
        status = process.wait()
        watch.communicate(b"\n")
        if status < 0 and at_work:
            end_leftovers(results)
        for reader in readers:
            # A long answer is read as slowly as somebody reads it.
            reader.join(timeout=5 if at_work else None)
        relay.sentences += [sentence for sentence in told.sentences if sentence not in relay.sentences]
        last_words = closing.read_text(encoding="utf-8").strip() if closing.exists() else ""
    with contextlib.suppress(OSError):  # the disk may be full
        if status and relay.held:
            (results / TRACE).write_text("\n".join(relay.held) + "\n", encoding="utf-8")
        elif at_work:
            (results / TRACE).unlink(missing_ok=True)
    not_begun = status > 0 and not last_words and not relay.begun
    failed = status != 0 or any(line.startswith("FAILED") for line in last_words.splitlines())
    if not last_words and failed and (at_work or relay.sentences):
        last_words = f"kerbwalk: {_closing_sentence(status, relay, results)}"
    elif not last_words and at_work:
        last_words = f"nothing to do: all is up to date in {results}"
    for line in last_words.splitlines():
        # What is done on the one, what failed on the other; what Snakemake only tells may be read by another program.
        is_bad = not at_work or line.startswith(("FAILED", "kerbwalk: "))
        _show(f"{line}\n", sys.stderr if is_bad else sys.stdout)
    return NOT_BEGUN if not_begun else FAILED if failed else 0


def _watch(process: subprocess.Popen, variables: dict[str, str]) -> subprocess.Popen:
    """Start what ends the process's group at once should we end without a line to it, as by SIGKILL.

    It is in a group of its own, out of reach of what is sent to ours.
    """
    return subprocess.Popen(
        ["sh", "-c", 'read -r _ || kill -s KILL -- "-$0"', str(process.pid)],
        env=variables,
        process_group=0,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _pass_signals_on(process: subprocess.Popen, results: Path | None) -> None:
    """Outlive the signals that ask a run to end, to say the last words. results: the folder it works in.

    SIGTERM: Snakemake lets the jobs at work end and starts no more. SIGINT, and SIGHUP as a terminal closes:
    everything stops at once. SIGTSTP, which is Ctrl-Z: everything waits until we go on.
    """
    interrupted = -PATIENCE

    def send_to_all(number: int) -> list[int]:
        """Snakemake first: it would take a job that ends before it for one that failed. Looks again for what jobs have
        begun meanwhile: a shell that is told to end waits for its command, which was not. Returns whom it was sent to.
        """
        told = [process.pid]
        _send(number, told)
        while new := [pid for pid in _at_work_in(results) if pid not in told] if results else []:
            _send(number, new)
            told += new
        return told

    def terminate(_number, _frame):
        process.send_signal(signal.SIGTERM)

    def interrupt(_number, _frame):
        nonlocal interrupted
        # Some send it to us and to our group besides (timeout); a second one would break Snakemake off as it tidies up.
        if time.monotonic() - interrupted >= PATIENCE:
            interrupted = time.monotonic()
            send_to_all(signal.SIGINT)

    def suspend(_number, _frame):
        stopped = send_to_all(signal.SIGSTOP)
        os.kill(os.getpid(), signal.SIGSTOP)
        _send(signal.SIGCONT, stopped)

    signal.signal(signal.SIGTERM, terminate)
    signal.signal(signal.SIGINT, interrupt)
    signal.signal(signal.SIGTSTP, suspend)
    if signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # as under nohup
        signal.signal(signal.SIGHUP, interrupt)


def _pass_lines_on(stream, relay: Relay, results: Path) -> None:
    progress = Progress(
        live=sys.stderr.isatty() and os.environ.get("TERM") != "dumb",
        named=lambda message: under_name(results, message),
    )
    for line in stream:
        _show("".join(map(progress.feed, relay.feed(line).splitlines(keepends=True))))
    _show(progress.end())


def under_name(results: Path, message: str) -> str:
    """What a job says that it does, with its shoot's name where it works under an id, a hidden link to its results."""
    shoot, colon, rest = message.partition(": ")
    link = results / shoot
    return f"{os.readlink(link)}{colon}{rest}" if shoot.startswith(".") and link.is_symlink() else message


def _pass_answer_on(stream, told: Relay) -> None:
    for line in stream:
        _show(told.feed(line), sys.stdout)


def _show(text: str, where=sys.stderr) -> None:
    # lines are read on even when nobody listens any more: a full pipe would stop Snakemake
    with contextlib.suppress(OSError):
        where.write(text)
        where.flush()


def _closing_sentence(status: int, relay: Relay, results: Path) -> str:
    """What can be said when the Snakefile had no chance to: Snakemake could not read it or fell."""
    if relay.sentences:
        return "\nkerbwalk: ".join(relay.sentences)
    if any("No space left on device" in text for text in (*relay.held, relay.error)):
        return f"The disk that holds {results} is full: free some space and run again; what is finished is kept."
    if any("Read-only file system" in text for text in (*relay.held, relay.error)):
        return f"{results} has turned read-only: see what befell its disk and run again; what is finished is kept."
    if status < 0:
        return f"Snakemake was ended by {signal.Signals(-status).name}: run again; what is finished is kept."
    return f"Snakemake stopped: {relay.error or f'exit status {status}'}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
