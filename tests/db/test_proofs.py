"""Proofs as files: they hold for what they were made of, and for nothing else, without any store."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from db.merkle import Peaks, Tree, leaf_hash, node_hash, root_of
from db.proofs import (
    ConsistencyProof,
    InclusionProof,
    KeptHead,
    SignedHead,
    head_text,
    prove_growth,
    prove_inclusion,
)
from db.signing import KeyUse, SigningKey, sign_head

AT = datetime(2026, 3, 25, 8, 2, 55, 120000, tzinfo=UTC)
# RFC 8032 section 7.1, test 1.
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
KEY = SigningKey(KeyUse.PRODUCTION, Ed25519PrivateKey.from_private_bytes(SECRET))
# Leaves and roots of the reference implementations' test data (transparency-dev/merkle, package testonly).
CONTENTS = [
    bytes.fromhex(c)
    for c in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
LEAVES = [leaf_hash(content) for content in CONTENTS]
ROOT_OF_8 = "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"
ROOT_OF_3 = "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77"


def signed(leaves: list[bytes]) -> SignedHead:
    return SignedHead(sign_head(KEY, len(leaves), root_of(leaves), AT), str(KEY.use), KEY.public)


def again(document: dict[str, Any]) -> Any:
    """Return the document as another machine reads it from a file."""
    return json.loads(json.dumps(document))


def test_a_proof_of_inclusion_in_the_published_tree_is_its_definition_written_out() -> None:
    head = signed(LEAVES)
    assert head_text(head.head) == f"8:{ROOT_OF_8}"
    proof = InclusionProof.of_document(again(prove_inclusion(Tree(LEAVES), 5, head).document()))
    # RFC 6962 section 2.1.1: PATH(5, D[8]) = the neighbour leaf, the node over 6 and 7, the node over 0 to 3.
    left = node_hash(node_hash(LEAVES[0], LEAVES[1]), node_hash(LEAVES[2], LEAVES[3]))
    assert proof.path == (LEAVES[4], node_hash(LEAVES[6], LEAVES[7]), left)
    assert proof.holds(CONTENTS[5])
    assert not proof.holds(CONTENTS[4])


def test_growth_of_the_published_tree_is_proved_from_its_root_of_three_leaves() -> None:
    head = signed(LEAVES)
    kept = KeptHead.of_text(f"3:{ROOT_OF_3}")
    proof = ConsistencyProof.of_document(again(prove_growth(Tree(LEAVES), kept, head).document()))
    # RFC 6962 section 2.1.3 draws PROOF(3, D[7]) = [c, d, g, l]; with the eighth leaf l covers 4 to 7.
    right = node_hash(node_hash(LEAVES[4], LEAVES[5]), node_hash(LEAVES[6], LEAVES[7]))
    assert proof.path == (LEAVES[2], LEAVES[3], node_hash(LEAVES[0], LEAVES[1]), right)
    assert proof.holds()


@settings(deadline=None, max_examples=80)
@given(st.integers(1, 40), st.data())
def test_no_other_content_head_or_path_passes(size: int, data: st.DataObject) -> None:
    contents = [f"entry {i}".encode() for i in range(size)]
    leaves = [leaf_hash(c) for c in contents]
    at = data.draw(st.integers(0, size - 1))
    document = again(prove_inclusion(Tree(leaves), at, signed(leaves)).document())
    assert InclusionProof.of_document(document).holds(contents[at])
    assert not InclusionProof.of_document(document).holds(b"entry x")
    where, name = data.draw(
        st.sampled_from(
            [(document, "position"), (document["head"], "size"), (document["head"], "root"),
             (document["head"], "signature"), (document["head"], "public"), (document["head"], "key")]
        )
    )  # fmt: skip
    value = where[name]
    where[name] = value + 1 if isinstance(value, int) else value[:-1] + ("0" if value[-1] != "0" else "1")
    assert not InclusionProof.of_document(document).holds(contents[at])


@settings(deadline=None, max_examples=80)
@given(st.integers(1, 40), st.data())
def test_a_ledger_that_was_rewritten_has_no_proof_of_growth(size: int, data: st.DataObject) -> None:
    leaves = [leaf_hash(f"entry {i}".encode()) for i in range(size)]
    first = data.draw(st.integers(1, size))
    kept = KeptHead(first, root_of(leaves[:first]))
    assert ConsistencyProof.of_document(again(prove_growth(Tree(leaves), kept, signed(leaves)).document())).holds()
    changed = data.draw(st.integers(0, first - 1))
    other = [*leaves[:changed], leaf_hash(b"another"), *leaves[changed + 1 :]]
    with pytest.raises(ValueError, match=f"did not grow from the head of size {first}"):
        prove_growth(Tree(other), kept, signed(other))


def test_proofs_beyond_a_head_are_refused() -> None:
    with pytest.raises(IndexError, match="there are 3 leaves, none has index 3"):
        prove_inclusion(Tree(LEAVES), 3, signed(LEAVES[:3]))
    with pytest.raises(IndexError, match="within 1 to 3, got 8"):
        prove_growth(Tree(LEAVES), KeptHead.of_text(f"8:{ROOT_OF_8}"), signed(LEAVES[:3]))


@pytest.mark.parametrize("text", [f"3:{ROOT_OF_3}", f"3:sha256:{ROOT_OF_3}", f" 3:{ROOT_OF_3.upper()}\n"])
def test_a_head_is_kept_as_text(text: str) -> None:
    kept = KeptHead.of_text(text)
    peaks = Peaks()
    for leaf in LEAVES[:3]:
        peaks = peaks.added(leaf)
    assert (kept.size, kept.root) == (3, peaks.root())


@pytest.mark.parametrize(
    "text", ["", "3", "3:", "3:aeb6bcfe", f":{ROOT_OF_3}", f"0:{ROOT_OF_3}", f"-3:{ROOT_OF_3}", "x:y"]
)
def test_another_text_is_no_head(text: str) -> None:
    with pytest.raises(ValueError, match="a kept head is written size:root"):
        KeptHead.of_text(text)


def test_a_head_is_taken_from_its_own_file_and_out_of_a_proof() -> None:
    head = signed(LEAVES)
    for document in (head.document(), prove_inclusion(Tree(LEAVES), 1, head).document()):
        kept = KeptHead.of_document(again(document))
        assert (kept.size, kept.root.hex(), kept.signed) == (8, ROOT_OF_8, head)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"size": 7}, "is not signed by the key it names"),
        ({"format": "x"}, "its format is 'x'; allowed: polemark-signed-head-1"),
        ({"size": "8"}, "its size is '8'; allowed: a whole number"),
        ({"size": -8}, "its size is -8; allowed: a whole number"),
        ({"root": "sha256:00"}, "its root is 'sha256:00'; allowed: sha256: and 64"),
        ({"public": "zz"}, "its public is 'zz'; allowed: hexadecimal"),
        ({"at_utc": "noon"}, "its at_utc is 'noon'; allowed: a UTC time"),
        ({"key": None}, "its key is None; allowed: text"),
    ],
)
def test_a_spoilt_head_file_is_refused_with_what_is_wrong(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        KeptHead.of_document(signed(LEAVES).document() | change)


def test_what_is_no_proof_is_refused() -> None:
    proof = prove_inclusion(Tree(LEAVES), 1, signed(LEAVES)).document()
    for spoilt, sentence in (
        ([], "its format is 'list'"),
        (proof | {"path": ["00"]}, "its path is wrong"),
        (proof | {"path": None}, "its path is wrong"),
        (proof | {"position": True}, "its position is True"),
        (proof | {"head": {}}, "its format is None"),
    ):
        with pytest.raises(ValueError, match=sentence):
            InclusionProof.of_document(spoilt)
