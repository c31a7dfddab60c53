"""Results kept by what they came from."""

from __future__ import annotations

import os

import pytest

from autoweight.batch.ledger import Entry, Ledger, digest, prints, signature
from autoweight.errors import FileError


def test_a_digest_minds_where_a_text_ends():
    assert digest("ab", "c") != digest("a", "bc")
    assert digest("ab", "c") == digest(b"ab", "c")
    assert signature() == signature() != digest()


def test_a_file_that_was_only_touched_has_the_same_digest(tmp_path):
    path = tmp_path / "rig.glb"
    path.write_bytes(b"one")
    (first,) = prints([str(path)]).values()
    os.utime(path, ns=(1, 1))
    (second,) = prints([str(path)]).values()
    assert first.time != second.time and first.digest == second.digest
    path.write_bytes(b"two")
    (third,) = prints([str(path)], {str(path): second}).values()
    assert third.digest != second.digest


def test_size_and_time_spare_the_reading(tmp_path):
    path = tmp_path / "rig.glb"
    path.write_bytes(b"one")
    known = prints([str(path)])
    state = path.stat()
    path.write_bytes(b"two")
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert prints([str(path)], known) == known


def test_what_is_kept_is_found_and_what_is_damaged_is_not(tmp_path):
    ledger = Ledger(tmp_path)
    out = tmp_path / "a" / "rig.glb"
    out.parent.mkdir()
    out.write_bytes(b"weights")
    made = {"a/rig.glb": prints([str(out)])[str(out)]}
    entry = Entry("key", "asked", {}, made, {"worst": 1.5})
    assert ledger.entry("a") is None
    ledger.keep("a", entry)
    assert ledger.entry("a") == entry
    assert ledger.whole(entry)
    out.write_bytes(b"weight")
    assert not ledger.whole(entry)
    out.unlink()
    assert not ledger.whole(entry)
    (tmp_path / ".kept" / "a.json").write_bytes(b'{"key": "ke')
    assert ledger.entry("a") is None


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(FileError, match=r"nowhere\.glb: cannot read"):
        prints([str(tmp_path / "nowhere.glb")])
