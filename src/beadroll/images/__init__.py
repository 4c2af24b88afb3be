"""Radiograph files: facts, pixels, digest, lossless encoding with proof. Foreign image bytes enter only here.

The public face, loaded on first use so that importing this package costs nothing:

``read_facts``/``facts_of_bytes`` (header only), ``convert`` (delivered bytes -> object for the package, with proof),
``restore`` (object -> delivered bytes), ``decode`` (any image -> ``Pixels``), ``pixel_digest``/``digest_of_object``,
``preview``/``window_level``/``DisplayFilter`` for pages, ``remarks``/``replaces_film`` (findings on a conversion),
``write_media`` (a File-set with DICOMDIR), ``Identity``/``Origin``/``Codec`` to call them with.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from beadroll.images.codecs import Codec
    from beadroll.images.conversion import Converted, convert
    from beadroll.images.display import DisplayFilter, Window, preview, window_level
    from beadroll.images.facts import ImageFacts, facts_of_bytes, read_facts
    from beadroll.images.identity import Identity, Origin, replaces_film
    from beadroll.images.media import write_media
    from beadroll.images.noticed import remarks
    from beadroll.images.opening import decode
    from beadroll.images.pixels import Pixels, digest_of_object, pixel_digest
    from beadroll.images.recipe import restore

# No module here bears a public name: importing the module would put it in the function's place.
_HOME: Final = {
    "Codec": "codecs",
    "Converted": "conversion",
    "DisplayFilter": "display",
    "Identity": "identity",
    "ImageFacts": "facts",
    "Origin": "identity",
    "Pixels": "pixels",
    "Window": "display",
    "convert": "conversion",
    "decode": "opening",
    "digest_of_object": "pixels",
    "facts_of_bytes": "facts",
    "pixel_digest": "pixels",
    "preview": "display",
    "read_facts": "facts",
    "replaces_film": "identity",
    "remarks": "noticed",
    "restore": "recipe",
    "window_level": "display",
    "write_media": "media",
}

__all__ = [
    "Codec",
    "Converted",
    "DisplayFilter",
    "Identity",
    "ImageFacts",
    "Origin",
    "Pixels",
    "Window",
    "convert",
    "decode",
    "digest_of_object",
    "facts_of_bytes",
    "pixel_digest",
    "preview",
    "read_facts",
    "remarks",
    "replaces_film",
    "restore",
    "window_level",
    "write_media",
]


def __getattr__(name: str) -> Any:
    """Load the module a public name lives in when it is first asked for."""
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{home}"), name)
