"""Packages that only some commands need: found when they are used, or named with what installs them."""

from __future__ import annotations

import importlib
from types import ModuleType

from checkback.errors import UserError


def extra(module: str, *, of: str, purpose: str) -> ModuleType:
    """Return a module that comes with an extra of this package.

    Parameters
    ----------
    module : str
        Its name.
    of : str
        The extra, such as export.
    purpose : str
        What needs it: the beginning of a sentence.

    Raises
    ------
    UserError
        If it is not installed.
    """
    try:
        return importlib.import_module(module)
    except ImportError:
        package = module.partition(".")[0]
        raise UserError(f"{purpose} needs the package {package}: pip install 'checkback[{of}]'") from None
