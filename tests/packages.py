"""Small packages for the tests: a few files, fast to make, the same every time."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

from beadroll.package import layout, manifest
from beadroll.package.layout import FileEntry, Form
from beadroll.package.manifest import BagInfo
from beadroll.package.read import PackageReader
from beadroll.package.verify import Inspection, inspect
from beadroll.package.write import Finished, PackageWriter

NAME = "RM-2031-W14"
INFO = BagInfo(
    fields=(
        (
            "Source-Organization",
            "Ringbahn Pipework, Harbour Works, with a name long enough to be folded over two lines",
        ),
        ("Bagging-Date", "2031-04-07"),
    )
)
FILES = {
    "data/index.json": b'{"name": "RM-2031-W14"}\n',
    "data/welds/LN-204/W-0117/weld.json": b'{"weld": "W-0117"}\n',
    "data/welds/LN-204/W-0117/radiographs/W-0117_0-30.dcm": bytes(range(256)) * 4000,
    "data/welds/LN-204/W-0118/radiographs/W-0118_0-30.dcm": bytes(reversed(range(256))) * 4100,
    "data/people/empty.json": b"",
}
RADIOGRAPH = "data/welds/LN-204/W-0117/radiographs/W-0117_0-30.dcm"
OTHER_RADIOGRAPH = "data/welds/LN-204/W-0118/radiographs/W-0118_0-30.dcm"


def seal(tagmanifest: bytes) -> dict[str, bytes]:
    """Stand in for a signature where a test is not about signatures."""
    return {"contractor": b"seal over " + hashlib.sha512(tagmanifest).digest()}


def build(destination: Path, form: Form, files: dict[str, bytes] | None = None) -> Finished:
    with PackageWriter.create(destination, name=NAME, form=form) as writer:
        for path, data in (FILES if files is None else files).items():
            writer.add(path, data)
        return writer.finish(INFO, sealer=seal)


def codes(seen: Inspection) -> list[tuple[str, str]]:
    return sorted((each.code, each.subject) for each in seen.report.findings if each.code != "PKG-SEALS-UNJUDGED")


def look(package: Path) -> list[tuple[str, str]]:
    return codes(inspect(package, judge_seals=None))


def payload_bytes(package: Path) -> dict[str, bytes]:
    with PackageReader.open(package) as reader:
        return {path: reader.read(path, 1 << 30) for path in reader.names() if path.startswith("data/")}


def relist(package: Path) -> None:
    """Write a folder's lists anew over what lies in it, as a forger without the key would."""
    everything = [path for path in package.rglob("*") if path.is_file() and not path.is_symlink()]
    entries = [
        FileEntry(
            path=path.relative_to(package).as_posix(),
            size=path.stat().st_size,
            sha512=hashlib.sha512(path.read_bytes()).hexdigest(),
        )
        for path in everything
    ]
    payload = [entry for entry in entries if entry.path.startswith("data/")]
    (package / layout.MANIFEST).write_bytes(manifest.format_manifest(payload))
    reseal_tags(package)


def reseal_tags(package: Path) -> None:
    """Write a folder's tag manifest anew over the tag files as they are."""
    skip = {layout.TAG_MANIFEST}
    entries = []
    for path in package.rglob("*"):
        name = path.relative_to(package).as_posix()
        if path.is_file() and not name.startswith(("data/", "seals/")) and name not in skip:
            digest = hashlib.sha512(path.read_bytes()).hexdigest()
            entries.append(FileEntry(path=name, size=0, sha512=digest))
    (package / layout.TAG_MANIFEST).write_bytes(manifest.format_manifest(entries))


def copy(package: Path, to: Path) -> Path:
    shutil.copytree(package, to, symlinks=True)
    return to
