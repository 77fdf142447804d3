"""Damaged machine code on disk is made anew; that of another user is never run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import pytest

from controllers.cache_place import PlacedCache, is_private


def doubled(value: float) -> float:
    """Something small to compile."""
    return 2.0 * value


def called(folder: Path) -> Any:
    """A fresh dispatcher over the folder, called once."""
    made: Any = numba.njit(doubled)
    made._cache = PlacedCache(folder, doubled)
    assert made(21.0) == 42.0
    return made


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) * 2 // 3] ^= 0xFF
    path.write_bytes(bytes(data))


def overwritten(path: Path) -> None:
    path.write_bytes(b"\x80\x04garbage" * 40)


def removed(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("damage", [emptied, cut, flipped, overwritten, removed])
@pytest.mark.parametrize("kind", ["*.nbi", "*.nbc"])
def test_damaged_code_is_made_anew(tmp_path: Path, damage: Callable[[Path], None], kind: str) -> None:
    called(tmp_path)
    assert sum(called(tmp_path).stats.cache_hits.values()) == 1
    (path,) = tmp_path.rglob(kind)
    damage(path)
    assert sum(called(tmp_path).stats.cache_hits.values()) == 0
    assert sum(called(tmp_path).stats.cache_hits.values()) == 1


def test_code_that_cannot_be_kept_is_told_once_and_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controllers.cache_place._TOLD", [])
    (tmp_path / "file").write_text("no folder")
    for _ in range(2):
        made: Any = numba.njit(doubled)
        made._cache = PlacedCache(tmp_path, doubled)
        made._cache._cache_file._index_path = str(tmp_path / "file" / "x.nbi")
        assert made(1.0) == 2.0
    told = capsys.readouterr().err
    assert told.count("compiled code cannot be kept") == 1
    assert len(told.splitlines()) == 1


@pytest.mark.skipif(os.name != "posix", reason="owners and modes of another kind")
def test_a_folder_that_others_can_reach_is_not_private(tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir(mode=0o700)
    assert is_private(mine)
    mine.chmod(0o770)
    assert not is_private(mine)
    mine.chmod(0o700)
    (tmp_path / "link").symlink_to(mine)
    assert not is_private(tmp_path / "link")
