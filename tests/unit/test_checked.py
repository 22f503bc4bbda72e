"""Checksums, checked copies and manifests."""

import datetime

import pytest
import xxhash

from files import checked, manifest, stage


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "card" / "KW_0101.dng"
    path.parent.mkdir()
    path.write_bytes(bytes(range(256)) * 40_000)
    return path


def flipped(path, place=77_777):
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)


def test_one_checksum_however_it_is_taken(photo):
    assert checked.checksum(photo) == checked.digest(photo.read_bytes()) == xxhash.xxh128_hexdigest(photo.read_bytes())


def test_a_flipped_bit_is_noticed_in_the_reading(photo):
    known = checked.checksum(photo)
    assert checked.read(photo, known) == photo.read_bytes()
    flipped(photo)
    with pytest.raises(checked.ChangedError, match="not what it was when first seen"):
        checked.read(photo, known)


def test_a_copy_is_whole_and_keeps_the_time_stamp(photo, tmp_path):
    target = tmp_path / "disk" / "100KW" / photo.name
    assert checked.copy(photo, target, checked.checksum(photo)) == checked.checksum(photo)
    assert target.read_bytes() == photo.read_bytes()
    assert target.stat().st_mtime_ns == photo.stat().st_mtime_ns
    before = target.stat().st_ctime_ns
    checked.copy(photo, target)
    assert target.stat().st_ctime_ns == before, "what is there is only read"


def test_a_changed_source_leaves_no_copy(photo, tmp_path):
    known = checked.checksum(photo)
    flipped(photo)
    with pytest.raises(checked.ChangedError, match="when first seen"):
        checked.copy(photo, tmp_path / "disk" / photo.name, known)
    assert list((tmp_path / "disk").iterdir()) == []


def test_another_file_of_that_name_is_left_as_it_is(photo, tmp_path):
    other = tmp_path / photo.name
    other.write_bytes(b"another")
    with pytest.raises(checked.ChangedError, match="another content"):
        checked.copy(photo, other)
    assert other.read_bytes() == b"another"


def test_a_disk_that_writes_otherwise(photo, tmp_path, monkeypatch):
    honest = checked.checksum
    monkeypatch.setattr(checked, "checksum", lambda path: honest(path)[::-1])
    with pytest.raises(checked.ChangedError, match="reads back"):
        checked.copy(photo, tmp_path / "disk" / photo.name)
    assert list((tmp_path / "disk").iterdir()) == []


def field(name, content):
    return {"path": name, "bytes": len(content), "modified": 1.9e9, "checksum": checked.digest(content)}


def test_generations(tmp_path):
    first = [field("100KW/a&b.dng", b"one"), field("<ä>.dng", b"two")]
    assert manifest.add(tmp_path, first) == []
    assert manifest.add(tmp_path, first) == [], "nothing new, and no new generation"
    assert len(list((tmp_path / "ascmhl").glob("*.mhl"))) == 1
    known = manifest.original(tmp_path)
    assert {name: value for name, (value, _) in known.items()} == {f["path"]: f["checksum"] for f in first}
    for _, since in known.values():
        assert abs(datetime.datetime.fromisoformat(since) - datetime.datetime.now(datetime.UTC)).total_seconds() < 60

    second = [field("100KW/a&b.dng", b"other"), field("new.dng", b"three")]
    assert [c[:2] for c in manifest.add(tmp_path, second)] == [("100KW/a&b.dng", checked.digest(b"one"))]
    assert manifest.original(tmp_path).keys() == {"100KW/a&b.dng", "<ä>.dng", "new.dng"}
    assert manifest.latest(tmp_path) == {f["path"]: f["checksum"] for f in second}
    assert [c[0] for c in manifest.add(tmp_path, second)] == ["100KW/a&b.dng"], "it is told again"
    assert manifest.add(tmp_path, first) == [], "and not, once the first content is back"


def test_a_manifest_that_was_changed_is_not_believed(tmp_path):
    manifest.add(tmp_path, [field("a.dng", b"one")])
    (generation,) = (tmp_path / "ascmhl").glob("*.mhl")
    generation.write_text(generation.read_text().replace("a.dng", "b.dng"))
    with pytest.raises(stage.StageError, match="was changed"):
        manifest.original(tmp_path)


def test_a_generation_that_was_being_written_does_not_count(tmp_path):
    manifest.add(tmp_path, [field("a.dng", b"one")])
    (tmp_path / "ascmhl" / "0002_photos_x.mhl").write_text("<hashl")
    assert manifest.original(tmp_path).keys() == {"a.dng"}
    assert manifest.add(tmp_path, [field("a.dng", b"one"), field("b.dng", b"two")]) == []
    assert manifest.original(tmp_path).keys() == {"a.dng", "b.dng"}
