"""Room on the disk for working frames: shoots enter one after the other, and leave when their last frame is used."""


class Room:
    """Of so many MB; `held` is what the shoots that are in it take: {shoot: MB}."""

    def __init__(self, megabytes, held):
        self.megabytes, self.held = megabytes, dict(held)

    def enter(self, shoot, megabytes):
        """Whether there is room for all frames of a shoot, megabytes of them; if so, it is taken.

        Who is in may go on: its room was taken whole. One that would not fit into an empty room may enter without
        taking any: it is for its own job to say so.
        """
        others = sum(taken for one, taken in self.held.items() if one != shoot)
        if megabytes > self.megabytes:
            return True
        if shoot not in self.held and others + megabytes > self.megabytes:
            return False
        self.held[shoot] = megabytes
        return True

    def leave(self, shoot):
        self.held.pop(shoot, None)
