"""A real SLURM on this machine: munged, a controller and a node's daemon, in a folder of their own, without systemd."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "squeue", "scontrol")
CONF = """\
ClusterName=ci
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmdPort={ports[1]}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=task=1
JobAcctGatherParams=OverMemoryKill
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
SchedulerParameters=sched_interval=1,bf_interval=1,batch_sched_delay=1
ReturnToService=2
MinJobAge=600
KillWait=2
OverTimeLimit=0
SlurmdTimeout=10
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
NodeName={host} NodeAddr=127.0.0.1 CPUs=2 RealMemory={memory}
PartitionName=night Nodes=ALL Default=YES MaxTime=INFINITE State=UP
"""
MEMORY = 4000  # MB, of the node
# The one place where a job's own clients look, as the executor plugin takes SLURM's variables from them.
SYSTEM_CONF = Path("/etc/slurm/slurm.conf")


class Cluster:
    """A controller and one node."""

    def __init__(self, folder):
        self.folder = folder
        self.host = socket.gethostname().split(".")[0]
        self.processes = {}

    def start(self):
        for name in ("state", "spool"):
            (self.folder / name).mkdir()
        key = self.folder / "munge.key"
        key.write_bytes(os.urandom(1024))
        key.chmod(0o400)
        conf = CONF.format(host=self.host, folder=self.folder, memory=MEMORY, ports=free_ports(2))
        (self.folder / "slurm.conf").write_text(conf)
        SYSTEM_CONF.parent.mkdir(exist_ok=True)
        SYSTEM_CONF.unlink(missing_ok=True)
        SYSTEM_CONF.symlink_to(self.folder / "slurm.conf")
        munge = ["munged", "--foreground", "--force", f"--key-file={key}", f"--socket={self.folder}/munge.socket"]
        munge += [f"--{kind}-file={self.folder}/munge.{kind}" for kind in ("log", "pid", "seed")]
        self.begin("munged", munge)
        self.until(lambda: (self.folder / "munge.socket").exists(), "munged")
        self.begin_controller()
        self.begin_node()
        self.until(lambda: "idle" in self.call("sinfo", "--noheader", "--format=%t"), "the node")

    def begin_controller(self):
        self.begin("slurmctld", ["slurmctld", "-D"])

    def begin_node(self):
        self.begin("slurmd", ["slurmd", "-D", "-N", self.host])

    def lose_node(self):
        """Power off the node: its daemon and all that it runs, at once; until the controller has noticed."""
        self.processes.pop("slurmd").kill()
        for folder in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                steps = (folder / "cmdline").read_bytes().startswith(b"slurmstepd")
                if steps or b"\0SLURM_JOB_ID=" in (folder / "environ").read_bytes():
                    os.kill(int(folder.name), signal.SIGKILL)
        self.until(lambda: "down" in self.call("sinfo", "--noheader", "--format=%t"), "the loss of the node")

    def begin(self, name, command):
        with (self.folder / f"{name}.out").open("ab") as said:
            self.processes[name] = subprocess.Popen(command, stdout=said, stderr=said, stdin=subprocess.DEVNULL)

    def end(self, name):
        process = self.processes.pop(name)
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def until(self, true, what, seconds=30):
        deadline = time.monotonic() + seconds
        while not true():
            if time.monotonic() > deadline:
                said = "\n".join(f.read_text(errors="replace")[-1500:] for f in self.folder.glob("*.log"))
                raise TimeoutError(f"{what}: not within {seconds} s\n{said}")
            time.sleep(0.1)

    def call(self, *command):
        """What one of SLURM's clients says."""
        done = subprocess.run(command, capture_output=True, text=True, timeout=30)
        return done.stdout + done.stderr

    def jobs(self):
        """[(number, rule and wildcards, state)] of all jobs that the controller remembers."""
        lines = self.call("squeue", "--noheader", "--states=all", "--format=%i\t%k\t%T").splitlines()
        return [line.split("\t") for line in lines]

    def stop(self):
        with contextlib.suppress(Exception):
            self.call("scancel", "--user=root")
            self.until(lambda: not self.call("squeue", "--noheader"), "the jobs' end", 5)
        for name in reversed(list(self.processes)):
            self.end(name)
        SYSTEM_CONF.unlink(missing_ok=True)


def free_ports(count):
    with contextlib.ExitStack() as held:
        sockets = [held.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]


@pytest.fixture(scope="session")
def cluster():
    """One for all the tests; its folder has a short name, as a socket's path may not be long."""
    missing = [name for name in PROGRAMS if not shutil.which(name)]
    if missing or os.geteuid() != 0:
        pytest.skip(f"SLURM cannot be started here ({', '.join(missing) + ' missing' if missing else 'not root'})")
    if SYSTEM_CONF.exists():
        pytest.skip(f"this machine has a SLURM of its own ({SYSTEM_CONF})")
    folder = Path(tempfile.mkdtemp(prefix="kw-slurm-"))
    folder.chmod(0o755)
    made = Cluster(folder)
    try:
        made.start()
        yield made
    finally:
        made.stop()
        shutil.rmtree(folder, ignore_errors=True)
