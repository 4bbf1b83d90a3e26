"""Writing into the settings file, so that all else in it stays as it was, comments too."""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError
from tomlkit.exceptions import TOMLKitError

from checkback.errors import UserError
from checkback.settings import Settings
from checkback.settings_faults import refused


def update(path: Path, changes: Mapping[str, Any]) -> None:
    """Set keys of the settings file; it is made if there is none.

    The file is replaced as a whole, and only if what comes out is a settings file that can be used.

    Parameters
    ----------
    path : Path
    changes : mapping
        Groups and keys with their new values, as in ``{"pedals": {"use": True, "device": None}}``; None
        takes a key away, and a mapping goes into the group of that name.  A mapping below a group, such
        as ``pedals.keys``, replaces the one that was there.

    Raises
    ------
    UserError
        If the file cannot be read or written, or what comes out is refused.
    """
    # where a link leads to, for the file is replaced
    path = path.resolve()
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read ({error}); mend that, or name another file") from None
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise UserError(f"{path}: not valid TOML: {error}; mend that line") from None
    for group, values in changes.items():
        if not isinstance(values, Mapping):
            _set(document, group, values)
            continue
        table = document.get(group)
        if table is None:
            table = tomlkit.table()
            document[group] = table
        for key, value in values.items():
            _set(table, key, value)
    written = tomlkit.dumps(document)
    try:
        Settings.model_validate(tomllib.loads(written, parse_float=Decimal))
    except ValidationError as error:
        raise refused(path, written, error) from None
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: not valid TOML: {error}; mend that line, then try again") from None
    _replace(path, written)


def _set(table: Any, key: str, value: Any) -> None:
    if value is None:
        if key in table:
            del table[key]
        return
    if isinstance(value, Mapping):
        inner = tomlkit.table()
        for name, each in value.items():
            if isinstance(each, Mapping):
                line = tomlkit.inline_table()
                line.update(each)
                inner[name] = line
            else:
                inner[name] = each
        value = inner
    elif isinstance(value, Path):
        value = str(value)
    if key in table and not isinstance(value, Mapping):
        table[key] = value
    else:
        if key in table:
            del table[key]
        table.append(key, value)


def _replace(path: Path, text: str) -> None:
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=path.parent, prefix=f".{path.name}-", delete=False
        ) as file:
            temporary = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            temporary.chmod(path.stat().st_mode & 0o777)
        else:
            temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise UserError(
            f"{path}: cannot be written ({error.strerror}); name another file with --settings"
        ) from None
