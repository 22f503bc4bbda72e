"""Who made a file, what it shows, where and when, written into it in the terms of Dublin Core and IPTC, as XMP.

Nothing of the camera's own gets in: what is written is what is given here. Sources: Dublin Core Metadata Element Set
1.1; IPTC Photo Metadata Standard (Core: Sublocation, Iptc4xmpCore:Location); XMP specification part 3 (the UUID under
which an ISO base media file carries a packet), all from memory.
"""

import struct

import exiv2

XMP_UUID = bytes.fromhex("BE7ACFCB97A942E89C71999491E3AFAC")


def packet(about, created):
    """The XMP packet as bytes.

    about: dict with title, creator, rights, place (texts or None), position ([latitude, longitude] or None); created:
    the moment as ISO 8601, or None.
    """
    data = exiv2.XmpData()
    for key, text, form in (
        ("Xmp.dc.title", about["title"], "lang=x-default {}"),
        ("Xmp.dc.creator", about["creator"], "{}"),
        ("Xmp.dc.rights", about["rights"], "lang=x-default {}"),
        ("Xmp.dc.coverage", about["place"], "{}"),
        ("Xmp.iptc.Location", about["place"], "{}"),
        ("Xmp.xmp.CreateDate", created, "{}"),
        ("Xmp.photoshop.DateCreated", created, "{}"),
    ):
        if text:
            data[key] = form.format(text)
    if about["position"]:
        for key, degrees, signs in zip(("Latitude", "Longitude"), about["position"], ("NS", "EW"), strict=True):
            whole, part = divmod(abs(degrees), 1)
            data[f"Xmp.exif.GPS{key}"] = f"{int(whole)},{60 * part:.5f}{signs[degrees < 0]}"
    status, text = exiv2.XmpParser.encode(data)
    assert status == 0
    return text.encode()


def describe(path, ending, xmp):
    """Write a packet into a file: MP4 and MOV as a box at the end, pictures by Exiv2; a GIF has no place for it."""
    if ending in ("mp4", "mov", "avif"):
        with open(path, "ab") as file:
            file.write(struct.pack(">I4s", 24 + len(xmp), b"uuid") + XMP_UUID + xmp)
    elif ending != "gif":
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        image.setXmpPacket(xmp.decode())
        image.writeMetadata()
