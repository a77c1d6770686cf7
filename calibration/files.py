"""Files at the edge: whole or not at all, with a schema, with a hash."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calibration.errors import WitmarkError


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary file beside it, then rename."""
    write_files({path: data})


def write_files(contents: Mapping[Path, bytes]) -> None:
    """Write files that belong together, whole or not at all.

    All are written to temporary files beside their places before the first one is renamed.
    """
    staged: list[tuple[Path, Path]] = []
    try:
        for path, data in contents.items():
            try:
                _stage(path, data, staged)
            except OSError as error:
                raise _cannot_write(path, error) from error
        for temporary, path in staged:
            try:
                temporary.replace(path)
            except OSError as error:
                raise _cannot_write(path, error) from error
    finally:
        for temporary, _ in staged:
            temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write JSON whole or not at all; NaN and infinity are refused (ValueError)."""
    write_bytes(path, json_bytes(content))


def json_bytes(content: dict[str, Any]) -> bytes:
    """Return JSON as it is written to files; NaN and infinity are refused (ValueError)."""
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def read_bytes(path: Path) -> bytes:
    """Return the content of a file, or say in one line why it cannot be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise WitmarkError(str(path), "no such file", "check the name and the folder") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise WitmarkError(
            str(path), f"cannot be read ({reason})", "check that it is a file that you may read"
        ) from error


def read_json(path: Path, kind: str, newest: int = 1) -> dict[str, Any]:
    """Read one of Witmark's own files and check its schema line.

    A file without a schema line was written by hand and is version 1; a newer version than
    `newest` is refused.
    """
    try:
        content = json.loads(read_bytes(path).decode("utf-8-sig"), parse_constant=_no_constant)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise WitmarkError(
            str(path), f"is not valid JSON ({error})", f"give a {kind} file written by witmark"
        ) from error
    if not isinstance(content, dict):
        raise WitmarkError(
            str(path), "is not a JSON object", f"give a {kind} file written by witmark"
        )
    schema = content.get("schema", f"witmark.{kind}/1")
    name, _, version = str(schema).partition("/")
    if name != f"witmark.{kind}" or not version.isdecimal():
        raise WitmarkError(
            str(path), f"is a '{schema}' file, not a {kind} file", f"give a witmark.{kind} file"
        )
    if int(version) > newest:
        raise WitmarkError(
            str(path),
            f"was written by a newer witmark ({schema}, this one reads up to /{newest})",
            "update witmark or make the file again with this one",
        )
    return content


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes as 64 hexadecimal digits (FIPS 180-4)."""
    return hashlib.sha256(data).hexdigest()


def _stage(path: Path, data: bytes, staged: list[tuple[Path, Path]]) -> None:
    """Write a temporary file beside `path`; it is noted in `staged` before anything can fail."""
    if path.is_dir():
        # Renaming would find that out too late, when other files have taken their places.
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    staged.append((Path(name), path))
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    # mkstemp makes a private file; a report is an ordinary one.
    umask = os.umask(0)
    os.umask(umask)
    Path(name).chmod(0o666 & ~umask)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a JSON number")


def _cannot_write(path: Path, error: OSError) -> WitmarkError:
    reason = error.strerror or str(error)
    return WitmarkError(
        str(path), f"cannot be written ({reason})", "choose another place with --out"
    )
