"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["fresh_file", "fresh_folder", "write_whole"]


def write_whole(path: Path, text: str) -> None:
    """Write a text file: under another name first, then moved into place.

    Raises
    ------
    OSError
        If it cannot be written; a file that was there before is untouched.
    """
    with fresh_file(path) as draft, draft.open("w", encoding="utf-8", newline="\n") as file:
        file.write(text)


@contextmanager
def fresh_file(path: Path) -> Iterator[Path]:
    """Give a draft file of the same ending to fill, and move it into place when all went well.

    Raises
    ------
    OSError
        If it cannot be written; a file that was there before is untouched.
    """
    draft = path.with_name(f".{path.stem}.{secrets.token_hex(4)}{path.suffix}")
    try:
        yield draft
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


@contextmanager
def fresh_folder(path: Path) -> Iterator[Path]:
    """Give a draft folder to fill, and move it into place when all went well; a folder that was there is replaced.

    Raises
    ------
    OSError
        If it cannot be made or moved; the folder that was there before is then still in place or beside it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    old = path.with_name(f"{draft.name}.old")
    draft.mkdir()
    try:
        yield draft
        if path.exists():
            path.rename(old)
        draft.rename(path)
        shutil.rmtree(old, ignore_errors=True)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
