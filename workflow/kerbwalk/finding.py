"""What the audit says of photos."""

# Deviations, of the usual spread, beyond which an interval or an aim is none of the usual.
BEYOND = 4.0
# The codes of warnings: first what has to be decided, then what shows in a clip most.
GRAVEST_FIRST = """changed two_shoots in_folder obstructed bumped_aim not_sharp missing_photo not_raw too_dark clipped
    other_focal other_lens aperture_changed fading level_drift dust clock_changed no_time same_time irregular_interval
    few_photos no_exposure no_matrix short_shutter short_interval wide_lens""".split()  # noqa: SIM905 (as a list twice as long)


def finding(code, severity, photos, value, limit, message):
    """A finding.

    code: what it is, for programs; severity: note, warning or fault (the photos are left out); photos: file names;
    value, limit: what was measured, and from where on it counts; message: what is wrong, with which photos, and
    what to do.
    """
    return {
        "code": code,
        "severity": severity,
        "photos": list(photos),
        "value": value,
        "limit": limit,
        "message": message,
    }


def gravest(warnings):
    """The finding among some warnings that is told where there is room for one."""
    return min(warnings, key=lambda f: GRAVEST_FIRST.index(f["code"]))
