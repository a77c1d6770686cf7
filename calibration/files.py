"""Files at the edge: whole or not at all, with a schema, with a hash."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from pathlib import Path
from typing import Any

from calibration.errors import WitmarkError


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary file beside it, then rename."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise _cannot_write(path, error) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes a private file; a report is an ordinary one.
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        temporary.replace(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write JSON whole or not at all; NaN and infinity are refused (ValueError)."""
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    write_text(path, text + "\n")


def read_bytes(path: Path) -> bytes:
    """Return the content of a file, or say in one line why it cannot be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise WitmarkError(str(path), "no such file", "check the name and the folder") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise WitmarkError(
            str(path), f"cannot be read ({reason})", "check its permissions"
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


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a JSON number")


def _cannot_write(path: Path, error: OSError) -> WitmarkError:
    reason = error.strerror or str(error)
    return WitmarkError(
        str(path), f"cannot be written ({reason})", "choose another place with --out"
    )
