"""What a photo's file says of how it was taken, for all makes through one reader, Exiv2 (names: CIPA DC-008)."""

import datetime
import math
import threading

import exiv2

_EXIF_DATE = "%Y:%m:%d %H:%M:%S"
_SAYS_NOTHING = ("", "0000:00:00 00:00:00")
# Tags in the order in which they are believed: Exif's own first, then the first directory's, as raw files of
# some makes have theirs only there; at last the makers' notes.
_TIMES = ("Photo.DateTimeOriginal", "Image.DateTimeOriginal", "Photo.DateTimeDigitized", "Image.DateTime")
_NUMBERS = {
    "shutter": ("Photo.ExposureTime", "Image.ExposureTime"),
    "aperture": ("Photo.FNumber", "Image.FNumber"),
    "iso": ("Photo.ISOSpeedRatings", "Image.ISOSpeedRatings", "Photo.RecommendedExposureIndex"),
    "focal": ("Photo.FocalLength", "Image.FocalLength"),
    "focal35": ("Photo.FocalLengthIn35mmFilm",),
    # How often the shutter has been released, where the maker tells: it outlives a renaming.
    "count": ("Image.ImageNumber", "Nikon3.ShutterCount"),
    "orientation": ("Image.Orientation",),
}
_TEXTS = {
    "lens": ("Photo.LensModel", "CanonCs.LensType", "Nikon3.Lens", "OlympusEq.LensModel"),
    "serial": ("Photo.BodySerialNumber", "Image.CameraSerialNumber"),
}

exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.mute)
# Exiv2 promises nothing to several threads that read at once, and takes less than a millisecond a photo.
_ONE_AT_A_TIME = threading.Lock()


def read(data):
    """A photo's metadata.

    data: bytes of the whole file. Returns a dict with time (ISO 8601, the camera's clock), subsecond (fraction
    of a second), offset (minutes east of UTC), shutter (s), aperture (f-number), iso, focal and focal35 (mm),
    orientation (EXIF), count (number of releases), camera, lens, serial, white_balance (auto or manual), place
    ([latitude, longitude] in degrees); None for what the file does not say, or says beyond sense. A file that
    Exiv2 cannot read has nothing but None: whether it is a photo is for others to say.
    """
    try:
        with _ONE_AT_A_TIME:
            image = exiv2.ImageFactory.open(data)
            image.readMetadata()
            tags = image.exifData()
            texts = {tag.key().removeprefix("Exif."): _text(tag) for tag in tags}
            numbers = {key: _number(tags, *names) for key, names in _NUMBERS.items()}
            place = [_degrees(tags, texts, *names) for names in (("Latitude", "S"), ("Longitude", "W"))]
    except (exiv2.Exiv2Error, UnicodeDecodeError):
        texts, numbers, place = {}, dict.fromkeys(_NUMBERS), [None]
    make, model = texts.get("Image.Make"), texts.get("Image.Model")
    fraction = texts.get("Photo.SubSecTimeOriginal") or ""
    return {
        "time": _time(texts),
        "subsecond": float(f"0.{fraction}") if fraction.isdecimal() and fraction.isascii() else 0.0,
        "offset": _offset(texts.get("Photo.OffsetTimeOriginal") or texts.get("Photo.OffsetTime")),
        **numbers,
        "camera": model if not make or (model or "").startswith(make) else f"{make} {model or ''}".strip(),
        **{key: next((texts[name] for name in names if texts.get(name)), None) for key, names in _TEXTS.items()},
        "white_balance": {"0": "auto", "1": "manual"}.get(texts.get("Photo.WhiteBalance")),
        "place": place if None not in place else None,
    }


def _text(tag):
    # Lenses and the like that the maker numbers are told in words by Exiv2; all else as it stands.
    value = tag.print() if "LensType" in tag.key() or tag.key().endswith("Nikon3.Lens") else tag.toString()
    return value.strip().strip("\x00").strip() or None


def _time(texts):
    for name in _TIMES:
        text = texts.get(name)
        if text and text not in _SAYS_NOTHING:
            try:
                return datetime.datetime.strptime(text[:19], _EXIF_DATE).isoformat()
            except ValueError:
                continue
    return None


def _offset(text):
    """Minutes east of UTC of a text such as +01:00."""
    if not text or len(text) != 6 or text[0] not in "+-" or not (text[1:3] + text[4:]).isdecimal():
        return None
    minutes = 60 * int(text[1:3]) + int(text[4:])
    return -minutes if text[0] == "-" else minutes


def _number(tags, *names):
    for name in names:
        found = tags.findKey(exiv2.ExifKey(f"Exif.{name}"))
        if found == tags.end() or not found.count():
            continue
        value = _plain(found, 0)
        if value is not None and value > 0:
            return value
    return None


def _plain(tag, index):
    """A number of a tag; None for one without sense, such as n/0."""
    if tag.typeId() in (exiv2.TypeId.unsignedRational, exiv2.TypeId.signedRational):
        above, below = tag.toRational(index)
        return above / below if below else None
    try:
        value = tag.toFloat(index)
    except exiv2.Exiv2Error:
        return None
    return float(value) if math.isfinite(value) else None


def _degrees(tags, texts, which, negative):
    found = tags.findKey(exiv2.ExifKey(f"Exif.GPSInfo.GPS{which}"))
    if found == tags.end() or found.count() != 3:
        return None
    parts = [_plain(found, k) for k in range(3)]
    if None in parts:
        return None
    degrees = parts[0] + parts[1] / 60 + parts[2] / 3600
    return -degrees if texts.get(f"GPSInfo.GPS{which}Ref") == negative else degrees
