"""What a photo is called."""

# Raw formats that LibRaw opens, by the makers' usual endings, and TIFF sequences.
PHOTO_ENDINGS = frozenset(
    """3fr arw bay cap cr2 cr3 crw dcr dng erf fff gpr iiq k25 kdc mef mos mrw nef nrw orf pef ptx raf raw
    rw2 rwl sr2 srf srw x3f tif tiff""".split()  # noqa: SIM905 (a list would be forty lines)
)


def is_photo(name):
    """Whether a file name has the ending of a raw photo or a TIFF."""
    stem, _, ending = name.rpartition(".")
    return bool(stem) and not name.startswith(".") and ending.lower() in PHOTO_ENDINGS
