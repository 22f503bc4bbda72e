"""What the audit says of photos."""

# Deviations, of the usual spread, beyond which an interval or an aim is none of the usual.
BEYOND = 4.0


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
