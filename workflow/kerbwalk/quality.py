"""What a deliverable is judged by, once it has been decoded again and laid beside what went into its encoder."""

import numpy as np

# The worst frame's VMAF may lie this far below what the mean has to reach.
WORST_BELOW = 5.0
# Steps of 8 bits, on the mean of a small picture: what differs by less from the frame before is the same picture
# again; what is at most this bright on the mean is black.
SAME, BLACK = 0.01, 2.0
# A change from one frame to the next is a jump where it is so many times the usual one around it.
JUMP, AROUND = 6.0, 12
# What an encoder was fed with stands out already where it does by so many times less: a step that is just below the
# limit there may be just above it in the file, which is no fault of the file. And a step there of less than this is
# hardly one, and may be none in the file: a soft start's first frame has a hundredth of the second photo in it.
MARGIN, HARDLY = 2.0, 0.1
# Of a picture at most this part may be outside the legal levels (EBU R 103, from memory of its version 3).
ILLEGAL = 0.01
# A likeness that does not suffice is tried again so much finer, at most by so much.
FINER, MOST_FINER = 3, 9
# CRF by which a clip takes half the bits (common practice, no source; found for itself from the second try on), by
# which the way that keeps within a rate is coarser at the same one, and how near to it is near enough.
HALF, WITHIN, NEAR = 4.0, 1.0, 0.94
TRIES = 7


def odd_frames(small, margin=1.0, same=SAME):
    """Which frames stand out: {repeated: are the frame before again, black, jumps: [places]}.

    small: uint8 (n, h, w), luma of small pictures; margin: how many times less they need to, to be black or jumps;
    same: the step from which on a frame is another one.
    """
    # Two at a time: a long clip's as float would take a hundred megabytes and more.
    pairs = zip(small[1:], small, strict=False)
    steps = [np.abs(np.subtract(one, before, dtype=np.float32)).mean() for one, before in pairs]
    usual = [
        np.median(np.delete(steps[max(0, k - AROUND) : k + AROUND + 1], min(k, AROUND))) for k in range(len(steps))
    ]
    again = [k + 1 for k, step in enumerate(steps) if step < same]
    # Two such steps in a row are one frame that stands out.
    jumps = [k + 1 for k, step in enumerate(steps) if len(steps) > 3 and step > JUMP / margin * max(usual[k], 0.25)]
    black = [k for k, picture in enumerate(small) if np.mean(picture) <= margin * BLACK]
    return {"repeated": again, "black": black, "jumps": jumps}


def faults(found, expected, least):
    """What is wrong with a deliverable, in a few words each; empty if it can be shipped.

    found: dict with frames, vmaf (n,), illegal (n,), repeated, black, jumps, as measured; expected: dict with frames,
    repeated, black, jumps, of what went into the encoder; least: the mean VMAF that it has to reach.
    """
    wrong = []
    if found["frames"] != expected["frames"]:
        wrong.append(f"it has {found['frames']} frames instead of {expected['frames']}")
    wrong += unlike(found["vmaf"], least)
    for key, name in (("repeated", "repeated"), ("black", "black"), ("jumps", "jumping")):
        if more := sorted(set(found[key]) - set(expected[key])):
            wrong.append(f"frame {more[0] + 1} is {name}, as it was not before")
    if max(found["illegal"], default=0) > ILLEGAL:
        wrong.append(f"{100 * max(found['illegal']):.1f} % of a frame is outside the legal levels (EBU R 103)")
    return wrong


def another(tried, most):
    """What to try next where a clip by CRF is too large or not like enough: (quality, within), or None.

    tried: [(quality, within, rate, like), ...]: the CRF; whether it was encoded so as to stay within the rate;
    megabits a second; whether its VMAF suffices, None where the rate is above the most; most: megabits a second, or
    None. Larger clips get coarser, by how their bits have fallen so far, and what is not like enough gets finer.
    """
    quality, within, rate, like = tried[-1]
    if like or len(tried) == TRIES:
        return None
    if like is None and not within:
        return round(quality + WITHIN + HALF * np.log2(rate / most), 1), True
    if not within:
        finer = quality - FINER
        return (finer, False) if finer >= max(0, tried[0][0] - MOST_FINER) else None
    if like is False and rate > NEAR * most:
        return None
    known = [(q, np.log2(r)) for q, was_within, r, _ in tried if was_within]
    half = HALF
    if len(known) > 1:
        (one, more), (other, less) = sorted(known, key=lambda at: abs(at[1] - np.log2(most)))[:2]
        half = float(np.clip((one - other) / (less - more), 1, 10)) if less != more else HALF
    wanted = round(float(quality + half * np.log2(rate / most / (1 + NEAR) * 2)), 1)
    return (wanted, True) if 0 <= wanted <= 51 and wanted not in [q for q, _ in known] else None


def unlike(vmaf, least):
    """What is wrong with its likeness, as in faults(): vmaf: (n,) of frames; least: for the mean."""
    mean, worst = float(np.mean(vmaf)), float(np.min(vmaf))
    if mean < least:
        return [f"its VMAF is {mean:.1f} on the mean, below {least:g}"]
    if worst < least - WORST_BELOW:
        return [f"its worst frame has a VMAF of {worst:.1f}, below {least - WORST_BELOW:g}"]
    return []
