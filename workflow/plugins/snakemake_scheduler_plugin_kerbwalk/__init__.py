"""Snakemake's greedy scheduler, which keeps the working frames of all shoots within the setting `disk_gb`.

Frames lie on the disk from the first decode of a shoot to its last encode, so that what a resource of a single job
bounds is not enough. A job that asks for `frames_mb`, what all frames of its shoot take, starts once there is room for
that in `room_mb`, the limit; before it those of shoots whose turn it is. A shoot of which a job has failed keeps its
room, so that the next run can go on, until nothing else can be done: then its frames go.
"""

import re
import signal
import threading
from collections import defaultdict

from snakemake.scheduling import greedy

from files.frames import kept_frames
from house.room import Room

SchedulerSettings = greedy.SchedulerSettings
FRAMES = re.compile(r"([^/]+)/work/(?:[^/]+/)?(?:decoded|composed)/")


class Scheduler(greedy.Scheduler):
    def __post_init__(self):
        super().__post_init__()
        self.idle = self.room = None
        self.jobs_with_frames = defaultdict(list)

    def select_jobs(self, selectable_jobs, remaining_jobs, available_resources, input_sizes):
        if self.idle is None:  # the first time, when nothing is at work yet
            self.idle = dict(available_resources)
            hear_in_a_thread(signal.SIGTERM)
        for shoot in list(self.room.held) if self.room else ():
            if all(map(self.dag.finished, self.jobs_with_frames[shoot])):
                self.room.leave(shoot)
        jobs = self.allowed(selectable_jobs)
        if selectable_jobs and not jobs and available_resources == self.idle:
            for shoot in list(self.room.held):
                for file in kept_frames(shoot):
                    file.unlink()
                self.room.leave(shoot)
            jobs = self.allowed(selectable_jobs)
        return super().select_jobs(jobs, remaining_jobs, available_resources, input_sizes)

    def allowed(self, jobs):
        """The jobs for which there is room. Behind a shoot that has to wait none gets in, small as it may be."""
        found, full = [], False
        for job in sorted(jobs, key=lambda job: (-job.priority, *job.output)):
            asked = job.scheduler_resources
            if asked.get("room_mb"):
                self.room = self.room or self.open(asked["room_mb"])
                shoot = next(iter(job.output)).partition("/")[0]
                full = full or not self.room.enter(shoot, asked["frames_mb"])
                if full and shoot not in self.room.held:
                    continue
            found.append(job)
        return found

    def open(self, megabytes):
        """The room, with what an earlier run has left there of the shoots that are to be worked on."""
        for job in self.dag.needrun_jobs():
            paths = [*job.input, *job.output]
            for shoot in {match[1] for match in map(FRAMES.match, paths) if match}:
                self.jobs_with_frames[shoot].append(job)
        left = {shoot: sum(f.stat().st_size for f in kept_frames(shoot)) / 1e6 for shoot in self.jobs_with_frames}
        return Room(megabytes, {shoot: size for shoot, size in left.items() if size})


def hear_in_a_thread(number):
    """Handle a signal beside what it interrupts: Snakemake's handler of SIGTERM waits for a lock that the interrupted
    code, most of what schedules, may hold.
    """
    if callable(handler := signal.getsignal(number)):
        signal.signal(number, lambda *told: threading.Thread(target=handler, args=told).start())
