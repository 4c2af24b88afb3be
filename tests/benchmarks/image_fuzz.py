"""Damages image files at random and feeds them to the image wall. Run by hand, for as long as wanted.

    python tests/benchmarks/image_fuzz.py [--seed 1] [--seconds 60]

Anything but a conversion that comes back byte for byte, or an ``InputError``, is a fault. The last case lies in the
file named at the start, so that one that ends the process can be looked at.
"""

# ruff: noqa: T201, S311 - a run by hand prints its figures; damage is repeatable, not secret
from __future__ import annotations

import argparse
import logging
import random
import sys
import tempfile
import time
from pathlib import Path

import pydicom

sys.path.insert(0, str(Path(__file__).parents[2]))

from beadroll.errors import InputError
from beadroll.images import Codec, convert, digest_of_object, restore
from tests import radiographs
from tests.radiographs import WELD

SAMPLES = (
    "MR_small_jp2klossless.dcm",
    "JPGExtended.dcm",
    "SC_rgb_jpeg_gdcm.dcm",
    "JPEGLSNearLossless_16.dcm",
    "MR_small_RLE.dcm",
    "examples_ybr_color.dcm",
    "SC_rgb_rle_2frame.dcm",
)


def whole_files() -> list[bytes]:
    image = radiographs.film(40, 61)
    native = radiographs.dicom(image)
    made = [convert(native, WELD, codec=codec, name="x").data for codec in Codec]
    made += [radiographs.tiff(image, compression=packing) for packing in (None, "lzw", "zlib", "packbits")]
    made += [radiographs.tiff(image, tile=(16, 16)), radiographs.png(image, Comment="W-0117")]
    made += [radiographs.dicom(image, syntax=f"1.2.840.10008.1.2{tail}") for tail in ("", ".2", ".1.99")]
    folder = Path(pydicom.__file__).parent / "data" / "test_files"
    return made + [(folder / name).read_bytes() for name in SAMPLES]


def damage(chance: random.Random, whole: bytes) -> bytes:
    damaged = bytearray(whole)
    for _ in range(chance.randint(1, 6)):
        reach = len(damaged) if chance.random() < 0.6 else min(len(damaged), 1200)
        damaged[chance.randrange(reach)] = chance.choice([0, 1, 0x7F, 0xFF, chance.randrange(256)])
    if chance.random() < 0.1:
        del damaged[chance.randrange(1, len(damaged)) :]
    return bytes(damaged)


def feed(data: bytes, codec: Codec) -> bool:
    try:
        made = convert(data, WELD, codec=codec, name="x")
    except InputError:
        return False
    assert digest_of_object(made.data) == made.pixel_sha512
    assert made.keep_delivered or restore(made.data, delivered_sha512=made.delivered_sha512) == data
    return True


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60)
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)
    chance = random.Random(options.seed)
    last = Path(tempfile.gettempdir()) / f"beadroll-fuzz-{options.seed}.bin"
    print(f"last case: {last}", flush=True)
    files, cases, kept, slowest = whole_files(), 0, 0, 0.0
    end = time.monotonic() + options.seconds
    while time.monotonic() < end:
        data = damage(chance, chance.choice(files))
        last.write_bytes(data)
        start = time.perf_counter()
        kept += feed(data, chance.choice(list(Codec)))
        slowest = max(slowest, time.perf_counter() - start)
        cases += 1
    print(f"{cases} cases, {kept} converted, slowest {slowest:.3f} s")


if __name__ == "__main__":
    main()
