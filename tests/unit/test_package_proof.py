"""The Merkle tree, against the published vectors.

Leaves, roots and paths: the test data of the Certificate Transparency reference implementation
(google/certificate-transparency, cpp/merkletree; also transparency-dev/merkle, testonly/constants.go), for RFC 6962,
whose tree RFC 9162 keeps for SHA-256.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest

from beadroll.package import proof
from beadroll.package.proof import InclusionProof, Tree

LEAVES = [
    bytes.fromhex(text)
    for text in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
PATHS = {
    (0, 8): [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (5, 8): [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
}


@pytest.mark.parametrize("size", range(9))
def test_every_tree_has_its_published_root(size):
    assert proof.root_hash(LEAVES[:size]).hex() == ROOTS[size]


@pytest.mark.parametrize(("index", "size"), PATHS)
def test_every_inclusion_path_is_the_published_one(index, size):
    assert [step.hex() for step in proof.inclusion_path(index, LEAVES[:size])] == PATHS[index, size]


def test_the_path_of_the_rfcs_seven_leaf_example_has_its_published_shape():
    """RFC 9162 section 2.1.5: of seven leaves d0..d6, the path for d6 is [i, k], for d3 it is [c, g, l]."""
    leaves = LEAVES[:7]
    hashes = [proof.leaf_hash(leaf) for leaf in leaves]

    def node(a, b):
        return hashlib.sha256(b"\x01" + a + b).digest()

    g, h, i = node(hashes[0], hashes[1]), node(hashes[2], hashes[3]), node(hashes[4], hashes[5])
    k, right = node(g, h), node(i, hashes[6])
    assert proof.inclusion_path(6, leaves) == (i, k)
    assert proof.inclusion_path(3, leaves) == (hashes[2], g, right)
    assert proof.inclusion_path(4, leaves) == (hashes[5], hashes[6], k)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 13])
def test_every_leaf_is_shown_to_belong_and_nothing_else_is(size):
    leaves = [f"leaf {number}".encode() for number in range(size)]
    tree = Tree(size=size, root=proof.root_hash(leaves))
    for index, leaf in enumerate(leaves):
        good = InclusionProof(line=leaf, index=index, size=size, path=proof.inclusion_path(index, leaves))
        assert proof.check_inclusion(good, tree)
        bad = [
            replace(good, line=leaf + b"!"),
            replace(good, index=index + 1),
            replace(good, index=-1),
            replace(good, size=size + 1),
            replace(good, path=(*good.path, b"\x00" * 32)),
            replace(good, path=(*good.path, b"")),
        ]
        if good.path:
            bad += [replace(good, path=good.path[:-1]), replace(good, path=(good.path[0][:31], *good.path[1:]))]
            bad.append(replace(good, path=(bytes(32), *good.path[1:])))
        assert not any(proof.check_inclusion(each, tree) for each in bad)
    assert not proof.check_inclusion(good, Tree(size=size, root=tree.root[:16]))


def test_an_inner_node_cannot_pass_for_a_leaf():
    tree = Tree(size=2, root=proof.root_hash(LEAVES[:4]))
    halves = [proof.root_hash(LEAVES[:2]), proof.root_hash(LEAVES[2:4])]
    assert not proof.check_inclusion(InclusionProof(line=halves[0], index=0, size=2, path=(halves[1],)), tree)


def test_the_tree_file_is_read_back_and_nothing_else_is():
    manifest = b"a" * 128 + b"  data/x\n"
    text = proof.tree_text(manifest)
    assert proof.parse_tree(text) == proof.tree_of(manifest)
    for spoilt in (text + b"\n", text.replace(b"size 1", b"size 01"), text.upper(), b"", text[:-1]):
        assert proof.parse_tree(spoilt) is None


def test_a_manifest_line_is_found_by_its_whole_path():
    lines = [b"a" * 128 + b"  data/a", b"b" * 128 + b"  data/x/data/a"]
    manifest = b"".join(line + b"\n" for line in lines)
    made = proof.inclusion_proof(manifest, "data/a")
    assert (made.index, made.line) == (0, lines[0])
    assert proof.check_inclusion(made, proof.tree_of(manifest))
    with pytest.raises(KeyError):
        proof.inclusion_proof(manifest, "data/b")
