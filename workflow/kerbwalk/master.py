"""Join the frame hashes of a clip's parts."""


def joined_hashes(parts, rate):
    """The framemd5 text of a clip from those of its parts, in order.

    parts: texts in FFmpeg's framemd5 format (version 2: '#' lines, then "stream, dts, pts, duration, size, hash"), one
    frame a time unit; empty ones are parts without frames. rate: Fraction, frames a second.
    Returns the text with the frames counted through and the time base set to one frame.
    """
    header, hashes = [], []
    for part in parts:
        lines = part.splitlines()
        header = header or [line for line in lines if line.startswith("#")]
        hashes += [line.split(",", 3)[3] for line in lines if not line.startswith("#")]
    time_base = f"#tb 0: {rate.denominator}/{rate.numerator}"
    header = [time_base if line.startswith("#tb 0:") else line for line in header]
    counted = [f"0, {k:10d}, {k:10d},{rest}" for k, rest in enumerate(hashes)]
    return "\n".join([*header, *counted]) + "\n"
