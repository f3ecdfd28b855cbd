"""Sign as mkimage does, with a key that was made for the examples and protects nothing.

Source: RFC 8017, 8.2.1 and 9.2 (RSASSA-PKCS1-v1_5).
"""

from __future__ import annotations

import hashlib

from imgaudit.writers.fdt import Tree

NAME = "tide"
ALGORITHM = "sha256,rsa2048"
SIZE = 256
"""Bytes of a signature."""
_MODULUS = int(
    "d95bfef64520160dd90d0825fdbda25252cfbf8b0b1e5192979a0cd939d14b5967c3f758ce4c2984820aceca"
    "ff8145d6eed8394d1a335c9d88b2c2689fed772e7b39853f9457568e1ede3e8c048287822d63ce5472cb57fe"
    "1c222d240132fed382a90c8a62cd56900eb5f19e3c96c14e2f10a04875273809f6848dc243c5e6fc19feac16"
    "f31adae9c1d3824c7988b67565f1977036174572ab846377bd8242b1996dde7802bd25ef45ebbe6f4de2b970"
    "4d294bae2f1c4107620a869265f305faa4aa7d49d3e74a3202ee1635e0f682b700ea935ba0eac5a57b204812"
    "6aa40366ddbf9747b93afc309c87c03e314a789f4b3667ffb393fe25cb1e8e4762ba0dd9",
    16,
)
_PRIVATE = int(
    "306c82e649ab26cea9faf1c448fddcf25b39a6522b457365e5b96fc05b55a9e43eae556626fba7ca3a107f56"
    "914ab30cf9c4192bf8b8d59ad1100628b9ec74ff597b8c98880b5720ad76d4d76bcfcab1b13c09851dd7f880"
    "07b3837c007a647429a950be69d9963ddcd123059e38f5d2ddc065fd0e8090c703712f85c68489fb5a09695e"
    "0977e2debf09fde5b2d4158eb67117bd43cdbb54537163865c75b37eb0b3f6fd2b8d2b33aae77ba7b84a4b2f"
    "b530be5152d93139895b4f9f3d58160752f9fb447c672103ebf37f2b815fffdc293b25a067c8e5ba963fd584"
    "8485865bb8e41f50d1035a4c5aa50a01fc793f3a83a864c6a781c63bb1c4631b9f6aa713",
    16,
)
_EXPONENT = 65537
# RFC 8017, 9.2, note 1: the DER prefix of a SHA-256 digest.
_PREFIX = bytes.fromhex("3031300d060960864801650304020105000420")


def sign(data: bytes) -> bytes:
    """Sign with the key NAME."""
    digest = _PREFIX + hashlib.sha256(data).digest()
    block = b"\0\x01" + b"\xff" * (SIZE - len(digest) - 3) + b"\0" + digest
    return pow(int.from_bytes(block, "big"), _PRIVATE, _MODULUS).to_bytes(SIZE, "big")


def key(required: str | None = "conf") -> Tree:
    """Give the node that mkimage -K writes into a control device tree: /signature/key-NAME."""
    node: Tree = {
        "algo": ALGORITHM,
        "key-name-hint": NAME,
        "rsa,num-bits": 2048,
        "rsa,modulus": _MODULUS.to_bytes(SIZE, "big"),
        "rsa,exponent": _EXPONENT.to_bytes(8, "big"),
    }
    return node if required is None else {"required": required} | node
