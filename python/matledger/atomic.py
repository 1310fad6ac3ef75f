"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from matledger.errors import InputError, Problem
from matledger.findings import either

__all__ = ["check_file", "check_folder", "fresh_file", "fresh_folder", "output", "write_whole", "wrong_ending"]


def wrong_ending(path: str | Path, *endings: str) -> list[Problem]:
    """Return what is wrong with the ending of a file's name, if anything."""
    if Path(path).suffix.lower() in endings:
        return []
    return [Problem("path", str(path), f"a file name ending in {either(endings)}")]


def output(path: str | Path, *endings: str) -> Path:
    """Return the file that a user asks for; what could not be written is refused before the work that fills it.

    Raises
    ------
    InputError
        For another ending.
    OSError
        If it cannot be written.
    """
    if problems := wrong_ending(path, *endings):
        raise InputError(problems)
    check_file(Path(path))
    return Path(path)


def check_file(path: Path) -> None:
    """Refuse a file that could not be written.

    Raises
    ------
    OSError
        By the file's own name.
    """
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    draft = _draft(path)
    with _named(path, draft):
        draft.touch(exist_ok=False)
        draft.unlink()


def check_folder(path: Path) -> None:
    """Refuse a folder that could not be written; the folders above it are made.

    Raises
    ------
    OSError
        By the folder's own name.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and not path.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path))
    draft = _draft(path)
    with _named(path, draft):
        draft.mkdir()
        draft.rmdir()


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
    draft = _draft(path)
    try:
        with _named(path, draft):
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
    draft = _draft(path)
    old = draft.with_name(f"{draft.name}.old")
    try:
        with _named(path, draft):
            draft.mkdir()
            yield draft
            if path.exists():
                path.rename(old)
            draft.rename(path)
        shutil.rmtree(old, ignore_errors=True)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _draft(path: Path) -> Path:
    return path.with_name(f".{path.stem}.{secrets.token_hex(4)}{path.suffix}")


@contextmanager
def _named(path: Path, draft: Path) -> Iterator[None]:
    """Name what could not be written as the user does, and not by the name of its draft."""
    try:
        yield
    except OSError as error:
        name = str(draft if error.filename is None else error.filename)
        if error.errno is None or not name.startswith(str(draft)):
            raise
        raise OSError(error.errno, error.strerror, name.replace(str(draft), str(path), 1)) from None
