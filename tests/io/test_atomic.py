"""Files appear whole or not at all."""

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from autoweight.errors import FileError
from autoweight.io import atomic


def test_chunks_are_written_in_order(tmp_path):
    atomic.write(tmp_path / "out", [b"one", memoryview(b" two"), b""])
    assert (tmp_path / "out").read_bytes() == b"one two"
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_permissions_and_links_are_kept(tmp_path):
    target, link = tmp_path / "out", tmp_path / "link"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link.symlink_to(target)
    atomic.write(link, [b"new"])
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o640


def test_an_error_in_a_chunk_leaves_the_old_file(tmp_path):
    target = tmp_path / "out"
    target.write_bytes(b"old")

    def chunks():
        yield b"new"
        raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        atomic.write(target, chunks())
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_full_disk_leaves_the_old_file(tmp_path):
    # A limit on file size stands for a full disk: the kernel refuses the write half way.
    target = tmp_path / "out"
    target.write_bytes(b"old")
    script = (
        "import resource, sys\n"
        "from autoweight.errors import FileError\n"
        "from autoweight.io import atomic\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try:\n"
        "    atomic.write(sys.argv[1], [bytes(3000), bytes(3000)])\n"
        "except FileError as error:\n"
        "    sys.exit(str(error))\n"
    )
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    done = subprocess.run(
        [sys.executable, "-c", script, target],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert done.returncode == 1
    assert f"{target}: cannot write (File too large); nothing was changed" in done.stderr
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_permission(tmp_path):
    target = tmp_path / "out"
    target.write_bytes(b"old")
    target.chmod(0o400)
    with pytest.raises(FileError, match="Permission denied"):
        atomic.write(target, [b"new"])
    target.chmod(0o600)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(FileError, match="Permission denied"):
            atomic.write(target, [b"new"])
    finally:
        tmp_path.chmod(0o700)
    assert target.read_bytes() == b"old"


def test_no_such_folder(tmp_path):
    with pytest.raises(FileError, match=r"none/out: cannot write \(No such file or directory\)"):
        atomic.write(tmp_path / "none" / "out", [b"new"])


def test_a_folder_is_in_the_way(tmp_path):
    with pytest.raises(FileError, match="not a regular file"):
        atomic.write(tmp_path, [b"new"])


def test_copy_makes_folders(tmp_path):
    (tmp_path / "a").write_bytes(b"1")
    atomic.copy(tmp_path / "a", tmp_path / "b" / "c" / "a")
    assert (tmp_path / "b" / "c" / "a").read_bytes() == b"1"
    with pytest.raises(FileError, match="cannot copy"):
        atomic.copy(tmp_path / "none", tmp_path / "d")


def test_names_as_long_as_they_may_be(tmp_path):
    longest = os.pathconf(tmp_path, "PC_NAME_MAX")
    target = tmp_path / ("x" * longest)
    atomic.write(target, [b"new"])
    assert target.read_bytes() == b"new"
