"""Frame hashes of a clip, joined from those of its parts."""

from fractions import Fraction

from kerbwalk import master

HEADER = "#format: frame checksums\n#version: 2\n#hash: MD5\n#media_type 0: video\n#tb 0: 1/25\n"


def part(*hashes):
    return HEADER + "".join(f"0, {k:10d}, {k:10d},        1,  6220800, {h}\n" for k, h in enumerate(hashes))


def test_frames_are_counted_through_and_an_empty_part_is_none():
    text = master.joined_hashes([part("aa", "bb"), "", part("cc")], Fraction(24000, 1001))
    header = HEADER.replace("1/25", "1001/24000")
    assert text == header + "".join(
        f"0, {k:10d}, {k:10d},        1,  6220800, {h}\n" for k, h in enumerate(("aa", "bb", "cc"))
    )


def test_however_the_clip_is_parted_the_hashes_are_the_same():
    hashes = [f"{k:032x}" for k in range(7)]
    rate = Fraction(24)
    whole = master.joined_hashes([part(*hashes)], rate)
    assert master.joined_hashes([part(*hashes[:3]), part(*hashes[3:])], rate) == whole
    assert master.joined_hashes([part(h) for h in hashes], rate) == whole
