"""Ed25519 against RFC 8032, private keys on disk, and signed heads."""

import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from store_samples import NOW

from db.signing import KeyUse, SigningKey, head_holds, read_or_make_key, sign_head
from db.store_errors import StoreError

# RFC 8032 section 7.1, tests 1 to 3: secret key, message, public key, signature.
VECTORS = [
    ("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60", "",
     "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
     "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"),
    ("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", "72",
     "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
     "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"),
    ("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7", "af82",
     "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
     "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"),
]  # fmt: skip


@pytest.mark.parametrize(("secret", "message", "public", "signature"), VECTORS)
def test_signatures_are_ed25519_of_rfc_8032(secret: str, message: str, public: str, signature: str) -> None:
    key = SigningKey(KeyUse.PRODUCTION, Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
    assert key.public.hex() == public
    assert key.private.sign(bytes.fromhex(message)).hex() == signature


def test_a_head_holds_for_its_key_and_for_nothing_changed(tmp_path: Path) -> None:
    key, other = (read_or_make_key(tmp_path / name, KeyUse.PRODUCTION) for name in "ab")
    head = sign_head(key, 5, bytes(range(32)), NOW)
    assert head_holds(head, key.public)
    assert not head_holds(head, other.public)
    assert not head_holds(head, b"too short")
    for changed in (
        replace(head, size=4),
        replace(head, root=bytes(32)),
        replace(head, at_utc=NOW + timedelta(seconds=1)),
        replace(head, key=other.name),
        replace(head, signature=bytes(64)),
    ):
        assert not head_holds(changed, key.public)


def test_what_is_signed_can_be_read(tmp_path: Path) -> None:
    key = read_or_make_key(tmp_path, KeyUse.PRACTICE)
    head = sign_head(key, 5, bytes(32), NOW)
    assert head.message().decode() == (
        f'{{"at_utc":"2026-03-25T08:02:55.000Z","format":"polemark-head-1","key":"{key.name}",'
        f'"root":"sha256:{"00" * 32}","size":5}}'
    )


def test_keys_are_made_once_kept_to_the_owner_and_are_two(tmp_path: Path) -> None:
    folder = tmp_path / "keys"
    production, practice = (read_or_make_key(folder, use) for use in KeyUse)
    assert production.name != practice.name
    assert read_or_make_key(folder, KeyUse.PRODUCTION).name == production.name
    assert sorted(p.name for p in folder.iterdir()) == ["practice-key.pem", "production-key.pem"]
    assert {stat.S_IMODE(p.stat().st_mode) for p in folder.iterdir()} == {0o600}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.parametrize("kind", ["simulated", "training"])
def test_only_production_is_signed_as_production(kind: str) -> None:
    assert KeyUse.for_kind("production") is KeyUse.PRODUCTION
    assert KeyUse.for_kind(kind) is KeyUse.PRACTICE


def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    read_or_make_key(tmp_path, KeyUse.PRODUCTION)
    path = tmp_path / "production-key.pem"
    path.chmod(0o640)
    with pytest.raises(StoreError, match=r"may be read by others \(mode 0640\); allowed: mode 0600"):
        read_or_make_key(tmp_path, KeyUse.PRODUCTION)


def test_a_file_that_holds_no_such_key_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "production-key.pem"
    path.touch(mode=0o600)
    with pytest.raises(StoreError, match="holds no private key; restore it from its backup"):
        read_or_make_key(tmp_path, KeyUse.PRODUCTION)
    path.write_bytes(generate_private_key(SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with pytest.raises(StoreError, match="is of another sort; allowed: Ed25519"):
        read_or_make_key(tmp_path, KeyUse.PRODUCTION)


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "keys").write_text("a file in the way")
    with pytest.raises(StoreError, match=r"production-key\.pem cannot be made or read: "):
        read_or_make_key(tmp_path / "keys", KeyUse.PRODUCTION)
