"""Signatures of runs: Ed25519 over the bytes of manifest.json, which holds the hashes of all other files of the folder.

The signature lies raw (64 bytes) in manifest.sig, so that nobody needs thenar to check it:
`openssl pkeyutl -verify -pubin -inkey public.pem -rawin -in manifest.json -sigfile manifest.sig`. Keys are what
`openssl genpkey -algorithm ed25519` (PEM) and `ssh-keygen -t ed25519` (OpenSSH) make, without a passphrase.
"""

from __future__ import annotations

import hashlib
import importlib.util
from base64 import b64decode, b64encode
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

from thenar.report.folder import MANIFEST, FinishedFolder, content_beside, made_sense_of
from thenar.shared.errors import InputError, Problem

SIGNATURE: Final = "manifest.sig"
SIGNATURE_BYTES: Final = 64
LARGEST_KEY_BYTES: Final = 1 << 16
HOW_TO_MAKE: Final = "openssl genpkey -algorithm ed25519, or ssh-keygen -t ed25519"


class SigningKey(NamedTuple):
    """A private key. `fingerprint`: of its public half, as `ssh-keygen -l` shows it."""

    key: Any
    fingerprint: str

    def sign(self, content: bytes) -> bytes:
        """The signature of `content`."""
        signature: bytes = self.key.sign(content)
        return signature


def signing_key(file: Path) -> SigningKey:
    """The private key in a PEM or OpenSSH file. Raises InputError unless it is Ed25519 and without a passphrase."""
    key = _key_in(file, "--sign", private=True)
    return SigningKey(key, fingerprint_of(key.public_key()))


def verified_by(folder: FinishedFolder, key_file: Path) -> str:
    """The fingerprint of the public key in `key_file`, which has signed the run in `folder`.

    Raises InputError when it has not, or holds no Ed25519 public key.
    """
    from cryptography.exceptions import InvalidSignature

    key = _key_in(key_file, "--verify", private=False)
    fingerprint = fingerprint_of(key)
    said = folder.record.get("signed_by")
    file, allowed = folder.file(SIGNATURE), f"the signature of {MANIFEST} by {fingerprint}"
    if said is None:
        raise InputError([Problem(folder.file(MANIFEST), "signed_by", "nobody: this run was not signed", allowed)])
    signature = content_beside(folder, SIGNATURE, SIGNATURE_BYTES, allowed)
    try:
        key.verify(signature, folder.seal)
    except InvalidSignature:
        found = f"the signature of another key or another text (the manifest says: signed by {said})"
        raise InputError([Problem(file, "", found, allowed)]) from None
    if said != fingerprint:
        found = f"{said}, though {fingerprint} has signed it"
        raise InputError([Problem(folder.file(MANIFEST), "signed_by", found, fingerprint)])
    return fingerprint


def fingerprint_of(public: Any) -> str:
    """The fingerprint of a public key, as `ssh-keygen -l` shows it: SHA256: and base64 without its filling."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    line = public.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)
    digest = hashlib.sha256(b64decode(line.split()[1])).digest()
    return f"SHA256:{b64encode(digest).decode('ascii').rstrip('=')}"


def _key_in(file: Path, option: str, *, private: bool) -> Any:
    """The Ed25519 key in a file, of the half that is wanted. Raises InputError with what was found instead."""
    half = "private" if private else "public"
    allowed = f"an Ed25519 {half} key without a passphrase, in PEM or OpenSSH form ({HOW_TO_MAKE})"

    def refuse(found: str) -> NoReturn:
        raise InputError([Problem(str(file), option, found, allowed)])

    if importlib.util.find_spec("cryptography") is None:
        raise InputError(
            [Problem(option, "", "the package cryptography is not installed", "pip install 'thenar[sign]', once")]
        )
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ed25519

    with made_sense_of(str(file), allowed):
        if not file.is_file():
            refuse("a folder" if file.is_dir() else "no such file" if not file.exists() else "no regular file")
        if file.stat().st_size > LARGEST_KEY_BYTES:
            refuse(f"{file.stat().st_size} bytes")
        content = file.read_bytes()
    is_private = b"PRIVATE KEY" in content
    if not is_private and b"PUBLIC KEY" not in content and not content.startswith(b"ssh-"):
        refuse("no key")
    if is_private != private:
        refuse(f"a {'private' if is_private else 'public'} key")
    loaders = {
        (True, True): lambda: serialization.load_ssh_private_key(content, password=None),
        (True, False): lambda: serialization.load_pem_private_key(content, password=None),
        (False, True): lambda: serialization.load_ssh_public_key(content),
        (False, False): lambda: serialization.load_pem_public_key(content),
    }
    is_ssh = b"OPENSSH PRIVATE KEY" in content or content.startswith(b"ssh-")
    try:
        key: Any = loaders[private, is_ssh]()
    except TypeError:  # how the library says that a passphrase is missing
        refuse("a key under a passphrase")
    except Exception as error:  # noqa: BLE001 - its errors for damaged keys have no base of their own
        reason = str(error).partition(".")[0]
        refuse("a key under a passphrase" if "password" in reason.lower() else f"a damaged key ({reason})")
    wanted = ed25519.Ed25519PrivateKey if private else ed25519.Ed25519PublicKey
    if not isinstance(key, wanted):
        refuse(f"a key of another kind ({type(key).__name__.removesuffix('PrivateKey').removesuffix('PublicKey')})")
    return key
