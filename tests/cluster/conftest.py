"""A real SLURM on this machine: munged, a controller and a node's daemon, in a folder of their own, without systemd.

Nothing outside the folder is touched: programs of SLURM's clients' names, in front of PATH, call the true ones with the
folder's configuration. A keeper ends all and removes the folder, even if the tests are killed.
"""

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tests.cluster.keeper import processes, send

DAEMONS = ("munged", "slurmctld", "slurmd")
CLIENTS = ("sbatch", "squeue", "scancel", "scontrol", "sinfo", "srun")
# More cores than there may be, so that jobs that hang and wait hold up no others; a job that is sent anew need not wait
# for its old credential to run out.
CONF = """\
ClusterName=ci
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmdPort={ports[1]}
SlurmUser=root
SlurmdUser=root
SlurmdParameters=config_overrides
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket,cred_expire=5
CredType=cred/munge
ProctrackType=proctrack/linuxproc
{memory}
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=task=1
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
SchedulerParameters=sched_interval=1,bf_interval=1,batch_sched_delay=0
ReturnToService=2
MinJobAge=600
KillWait=1
SlurmdTimeout=10
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
NodeName={node} NodeHostname={host} NodeAddr=127.0.0.1 CPUs=4 RealMemory=4000
PartitionName=night Nodes=ALL Default=YES MaxTime=INFINITE State=UP
"""
# Who kills a job that takes more memory than it asked for: the kernel, or SLURM where it sees that by a look a second.
BY_KERNEL, BY_SLURM = "TaskPlugin=task/cgroup", "TaskPlugin=task/none\nJobAcctGatherParams=OverMemoryKill"
CGROUPS = Path("/sys/fs/cgroup")
CGROUP_CONF = f"""\
CgroupPlugin=cgroup/v1
CgroupMountpoint={CGROUPS}
ConstrainRAMSpace=yes
ConstrainSwapSpace=yes
AllowedSwapSpace=0
"""
CLIENT = """\
#!/bin/sh
export SLURM_CONF={folder}/slurm.conf
exec {program} "$@"
"""
# The executor plugin asks ten seconds more rarely each time that no job is done. So its question, and no other, is
# answered when one has ended since it last asked, as it would be by an accounting database much asked. That the
# controller gave it no answer is noted in a file.
PATIENT = """\
#!/bin/sh
export SLURM_CONF={folder}/patient.conf
case "$*" in
  *'%i|%T'*) ;;
  *) exec {program} "$@" ;;
esac
for name; do :; done  # the last argument: the run's
seen={folder}/seen-$name
for time in $(seq 60); do
  said=$({program} "$@") || {{ date >> {folder}/unanswered; exit 1; }}
  ended=$(echo "$said" | grep -c -v -e PENDING -e RUNNING -e COMPLETING -e CONFIGURING)
  [ "$ended" -gt "$(cat "$seen" 2>/dev/null || echo 0)" ] && break
  sleep 0.25
done
echo "$ended" > "$seen"
echo "$said"
"""


class Cluster:
    """A controller and one node."""

    def __init__(self, folder):
        self.folder = folder
        self.host = socket.gethostname().split(".")[0]
        # By the node's name the kernel's groups of its jobs are known.
        self.node = folder.name
        # Version 2 of cgroups, where one program of systemd's rules over memory, is not tried.
        self.by_kernel = os.access(CGROUPS / "memory" / "memory.memsw.limit_in_bytes", os.W_OK)
        self.processes = {}
        # What a process needs to be of this cluster, and to be known by its keeper.
        self.variables = os.environ | {"PATH": f"{folder}/bin:{os.environ['PATH']}"}

    def start(self):
        for name in ("state", "spool", "bin"):
            (self.folder / name).mkdir()
        for name in CLIENTS:
            text = PATIENT if name == "squeue" else CLIENT
            program = self.folder / "bin" / name
            program.write_text(text.format(folder=self.folder, program=shutil.which(name)))
            program.chmod(0o755)
        key = self.folder / "munge.key"
        key.write_bytes(os.urandom(1024))
        key.chmod(0o400)
        self.conf = self.folder / "slurm.conf"
        memory = BY_KERNEL if self.by_kernel else BY_SLURM
        names = {"host": self.host, "node": self.node}
        self.conf.write_text(CONF.format(**names, folder=self.folder, ports=free_ports(2), memory=memory))
        # A client tries for so long to find a controller that is away, by itself ten seconds.
        self.conf.with_name("patient.conf").write_text(f"{self.conf.read_text()}MessageTimeout=3\n")
        (self.folder / "cgroup.conf").write_text(CGROUP_CONF)
        munge = ["munged", "--foreground", "--force", f"--key-file={key}", f"--socket={self.folder}/munge.socket"]
        munge += [f"--{kind}-file={self.folder}/munge.{kind}" for kind in ("log", "pid", "seed")]
        self.begin("munged", *munge)
        self.until(lambda: (self.folder / "munge.socket").exists(), "munged")
        self.begin_controller()
        self.begin_node()
        self.until(lambda: "idle" in self.call("sinfo", "--noheader", "--format=%t"), "the node")

    def begin_controller(self):
        self.begin("slurmctld", "slurmctld", "-D", "-f", self.conf)

    def begin_node(self):
        self.begin("slurmd", "slurmd", "-D", "-N", self.node, "-f", self.conf)

    def begin(self, name, *command):
        with (self.folder / f"{name}.out").open("ab") as said:
            self.processes[name] = subprocess.Popen(
                command, stdout=said, stderr=said, stdin=subprocess.DEVNULL, env=self.variables
            )

    def end(self, name):
        process = self.processes.pop(name)
        process.terminate()
        process.wait(30)

    def lose_node(self):
        """Power off the node, its daemon and all that it runs, at once; tell the controller, which would notice."""
        self.processes.pop("slurmd").kill()
        send(signal.SIGKILL, self.at_work(b"slurmstepd") + self.at_work(b"\0SLURM_JOB_ID="))
        self.call("scontrol", "update", f"nodename={self.node}", "state=down", "reason=lost")

    def at_work(self, mark):
        """The numbers of the cluster's processes with a mark in their command or variables."""
        return processes(mark, os.fsencode(self.folder))

    def until(self, true, what, seconds=30):
        deadline = time.monotonic() + seconds
        while not true():
            if time.monotonic() > deadline:
                said = "\n".join(f.read_text(errors="replace")[-1500:] for f in self.folder.glob("*.log"))
                raise TimeoutError(f"{what}: not within {seconds} s\n{said}")
            time.sleep(0.1)

    def call(self, *command):
        """What one of SLURM's clients says."""
        program = self.folder / "bin" / command[0]
        done = subprocess.run([program, *command[1:]], capture_output=True, text=True, timeout=30, env=self.variables)
        return done.stdout + done.stderr

    def unanswered(self):
        """How often the executor plugin asked in vain."""
        noted = self.folder / "unanswered"
        return len(noted.read_text().splitlines()) if noted.exists() else 0

    def denied(self):
        """The numbers of the jobs of which the kernel killed a process for its memory, as SLURM was told by it."""
        return set(
            re.findall(r"Detected \d+ oom.kill event\(s\) in StepId=(\d+)", (self.folder / "slurmd.log").read_text())
        )

    def told_of(self, job):
        """What the controller remembers of a job, by name: JobState, Restarts, ..."""
        said = self.call("scontrol", "--oneliner", "show", "job", job)
        return dict(word.split("=", 1) for word in said.split() if "=" in word)

    def jobs(self):
        """[(number, rule and wildcards, state)] of all jobs that the controller remembers."""
        lines = self.call("squeue", "--noheader", "--states=all", "--format=%i\t%k\t%T").splitlines()
        return [line.split("\t") for line in lines]

    def waiting(self):
        """[(rule and wildcards, nice value)] of the jobs that wait, the next first."""
        lines = self.call("squeue", "--noheader", "--states=PENDING", "--sort=-p", "--format=%k\t%y").splitlines()
        return [tuple(line.split("\t")) for line in lines]


def free_ports(count):
    with contextlib.ExitStack() as held:
        sockets = [held.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]


@pytest.fixture(scope="session")
def cluster():
    """One for all the tests; its folder has a short name, as a socket's path may not be long."""
    missing = [name for name in (*DAEMONS, *CLIENTS) if not shutil.which(name)]
    if missing or os.geteuid() != 0:
        pytest.skip(f"SLURM cannot be started here ({', '.join(missing) + ' missing' if missing else 'not root'})")
    folder = Path(tempfile.mkdtemp(prefix="kw-slurm-"))
    folder.chmod(0o755)
    keeper = subprocess.Popen([sys.executable, Path(__file__).with_name("keeper.py"), folder], stdin=subprocess.PIPE)
    made = Cluster(folder)
    try:
        made.start()
        yield made
    finally:
        keeper.stdin.close()
        keeper.wait()
