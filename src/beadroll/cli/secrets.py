"""Where passphrases come from: a prompt, a file descriptor or an environment variable, never the command line.

A passphrase among the arguments would stand in the process list and the shell's history.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import click

from beadroll.errors import InputError


def passphrase_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--passphrase-fd`` and ``--passphrase-env`` to a command; both empty means a prompt."""
    command = click.option(
        "--passphrase-env", metavar="NAME", default="", help="Take the passphrase from this environment variable."
    )(command)
    return click.option(
        "--passphrase-fd", type=int, default=None, metavar="N", help="Read the passphrase from this file descriptor."
    )(command)


def passphrase(what: str, descriptor: int | None, variable: str, *, new: bool = False) -> str:
    """Return the passphrase for ``what``; a prompt for a ``new`` one asks twice. Raises ``InputError``."""
    if descriptor is not None:
        return _from_descriptor(descriptor)
    if variable:
        found = os.environ.get(variable)
        if found is None:
            raise InputError(
                "is not set",
                path=f"environment variable {variable}",
                remedy="Set it, or leave the option out to be asked.",
            )
        return found
    return str(click.prompt(f"Passphrase for {what}", hide_input=True, confirmation_prompt=new, err=True))


def _from_descriptor(descriptor: int) -> str:
    try:
        with os.fdopen(descriptor, "r", encoding="utf-8", closefd=False) as stream:
            return stream.readline().rstrip("\r\n")
    except (OSError, ValueError) as refused:
        raise InputError(
            "cannot be read",
            path=f"file descriptor {descriptor}",
            remedy="Open it in the shell, such as 3<passphrase.txt.",
        ) from refused
