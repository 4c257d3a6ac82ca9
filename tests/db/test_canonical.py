"""Canonical JSON and its digest against RFC 8785 and FIPS 180-4."""

import math
import struct
from typing import Any

import pytest

from db.canonical import canonical_bytes, digest_of

# NIST, FIPS 180-4 example values for SHA-256.
SHA_256 = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


@pytest.mark.parametrize(("message", "digest"), SHA_256.items(), ids=["empty", "abc", "two blocks", "a million a"])
def test_digests_are_sha_256_of_fips_180_4(message: bytes, digest: str) -> None:
    assert digest_of(message) == f"sha256:{digest}"


def test_the_sample_of_rfc_8785_section_3_2() -> None:
    sample = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    content = canonical_bytes(sample)
    assert content.startswith(b'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],')
    # Digest of the whole sample as published with the RFC author's test data.
    assert digest_of(content) == "sha256:2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"


def test_keys_are_sorted_by_utf_16_code_units_as_rfc_8785_section_3_2_3_sorts_them() -> None:
    keys = ["\r", "1", "\x80", "\xf6", "\u20ac", "\U0001f600", "\ufb33"]
    content = canonical_bytes({key: i for i, key in enumerate(reversed(keys))}).decode()
    places = [content.index(f'"{key}"') if key != "\r" else content.index('"\\r"') for key in keys]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        # RFC 8785 appendix B: IEEE 754 doubles and their form.
        ("0000000000000001", "5e-324"), ("4340000000000000", "9007199254740992"), ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"), ("3eb0c6f7a0b5ed8d", "0.000001"), ("41b3de4355555553", "333333333.3333332"),
        ("becbf647612f3696", "-0.0000033333333333333333"), ("8000000000000000", "0"),
    ],
)  # fmt: skip
def test_doubles_of_rfc_8785_appendix_b(bits: str, text: str) -> None:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_bytes(value) == text.encode()


def test_unicode_is_not_normalised() -> None:
    # RFC 8785 section 3.1: strings are kept as they are.
    assert canonical_bytes("A\u030a") == b'"A\xcc\x8a"' != canonical_bytes("\xc5")


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -math.inf, 2**60, "\ud83d", {1: "a"}, {"a": b"bytes"}, object(), {"a": {1, 2}}]
)
def test_what_json_cannot_say_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match="the document has no canonical form"):
        canonical_bytes(value)


def test_a_document_without_end_is_refused() -> None:
    endless: list[Any] = []
    endless.append(endless)
    with pytest.raises(ValueError, match="the document has no canonical form"):
        canonical_bytes(endless)
