"""A Merkle tree over a package's payload manifest, so that one file can be shown to belong without the rest.

Knows RFC 9162 (Certificate Transparency 2.0) sections 2.1.1 to 2.1.3: leaf hash, tree hash, inclusion path. The hash
is SHA-256, the one RFC 9162 registers, because other people's verifiers and the published vectors use it; a leaf is
one line of the manifest without its line end, and so holds the file's SHA-512. Refuses to know files and seals.

A leaf hash reveals nothing but lets a guess be tested. A manifest line holds a SHA-512 of the whole file, so a guess
must match a whole file; records with a small choice of contents need a random field of their own.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

_LEAF = b"\x00"
_NODE = b"\x01"
_HASH_BYTES = 32
_MAX_STEPS = 64
_TREE = re.compile(rb"sha256-rfc9162\nsize (0|[1-9][0-9]{0,9})\nroot ([0-9a-f]{64})\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tree:
    """Size and root of a tree, as proof/tree.txt states them."""

    size: int
    root: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class InclusionProof:
    """What shows that one manifest line is in a tree: the line, its place counted from 0, and the path of hashes."""

    line: bytes
    index: int
    size: int
    path: tuple[bytes, ...]


def leaf_hash(leaf: bytes) -> bytes:
    """Return the hash of a leaf (RFC 9162 section 2.1.1)."""
    return hashlib.sha256(_LEAF + leaf).digest()


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(_NODE + left + right).digest()


def _levels(leaves: Sequence[bytes]) -> list[list[bytes]]:
    """Hash level by level; an odd last node moves up unchanged, which gives the RFC's tree for every size."""
    levels = [[leaf_hash(leaf) for leaf in leaves]]
    while len(levels[-1]) > 1:
        below = levels[-1]
        above = [_node(below[i], below[i + 1]) for i in range(0, len(below) - 1, 2)]
        if len(below) % 2:
            above.append(below[-1])
        levels.append(above)
    return levels


def root_hash(leaves: Sequence[bytes]) -> bytes:
    """Return the tree's root; of no leaves it is the hash of nothing."""
    return _levels(leaves)[-1][0] if leaves else hashlib.sha256(b"").digest()


def inclusion_path(index: int, leaves: Sequence[bytes]) -> tuple[bytes, ...]:
    """Return the hashes that lead from leaf ``index`` to the root, lowest first (RFC 9162 section 2.1.3.1)."""
    if not 0 <= index < len(leaves):
        raise ValueError(f"there is no leaf {index} among {len(leaves)}")
    path: list[bytes] = []
    for level in _levels(leaves)[:-1]:
        beside = index ^ 1
        if beside < len(level):
            path.append(level[beside])
        index //= 2
    return tuple(path)


def check_inclusion(proof: InclusionProof, tree: Tree) -> bool:
    """Say whether the proof leads to the tree's root (the steps of RFC 9162 section 2.1.3.2).

    Lengths are checked first, so that a shortened root or path can never match.
    """
    sound = (
        proof.size == tree.size
        and 0 <= proof.index < proof.size
        and len(tree.root) == _HASH_BYTES
        and len(proof.path) <= _MAX_STEPS
        and all(len(step) == _HASH_BYTES for step in proof.path)
    )
    if not sound:
        return False
    place, last, reached = proof.index, proof.size - 1, leaf_hash(proof.line)
    for step in proof.path:
        if last == 0:
            return False
        if place % 2 or place == last:
            reached = _node(step, reached)
            while place % 2 == 0 and place:
                place, last = place >> 1, last >> 1
        else:
            reached = _node(reached, step)
        place, last = place >> 1, last >> 1
    return last == 0 and reached == tree.root


def manifest_leaves(manifest: bytes) -> list[bytes]:
    """Return the leaves of a manifest: its lines, without their ends."""
    return manifest.split(b"\n")[:-1]


def tree_of(manifest: bytes) -> Tree:
    """Return the tree of a sorted manifest."""
    leaves = manifest_leaves(manifest)
    return Tree(size=len(leaves), root=root_hash(leaves))


def tree_text(manifest: bytes) -> bytes:
    """Return proof/tree.txt for a sorted manifest: three lines that name the hash, the size and the root."""
    tree = tree_of(manifest)
    return f"sha256-rfc9162\nsize {tree.size}\nroot {tree.root.hex()}\n".encode("ascii")


def parse_tree(data: bytes) -> Tree | None:
    """Read proof/tree.txt; ``None`` when it is not in its one form."""
    match = _TREE.fullmatch(data)
    return None if match is None else Tree(size=int(match[1]), root=bytes.fromhex(match[2].decode("ascii")))


def inclusion_proof(manifest: bytes, path: str) -> InclusionProof:
    """Return the proof that the file at ``path`` is listed; raises ``KeyError`` when it is not."""
    leaves = manifest_leaves(manifest)
    wanted = b"  " + path.encode("utf-8")
    for index, line in enumerate(leaves):
        if line.endswith(wanted) and len(line) == len(wanted) + 128:
            return InclusionProof(line=line, index=index, size=len(leaves), path=inclusion_path(index, leaves))
    raise KeyError(path)
