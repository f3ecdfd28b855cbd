"""GUIDs as a GPT stores them, and the partition types that an embedded Linux disk uses.

On disk the first three fields of a GUID are little-endian and the last two are plain bytes
(UEFI specification, appendix A).
"""

from __future__ import annotations

ZERO = "00000000-0000-0000-0000-000000000000"

TYPE_NAMES: dict[str, str] = {
    # UEFI specification, table 5.7.
    "esp": "c12a7328-f81f-11d2-ba4b-00a0c93ec93b",
    # The Discoverable Partitions Specification, "Defined Partition Type UUIDs".
    "xbootldr": "bc13c2ff-59e6-4262-a352-b275fd6f7172",
    "linux-root-arm": "69dad710-2ce4-4e3c-b16c-21a1d49abed3",
    "linux-root-arm64": "b921b045-1df0-41c3-af44-4c6f280d3fae",
    "linux-root-riscv32": "60d5a7fe-8e7d-435c-b714-3dd8162144e1",
    "linux-root-riscv64": "72ec70a6-cf74-40e6-bd49-4bda08e8f224",
    "linux-root-x86": "44479540-f297-41b2-9af7-d131d5f0458a",
    "linux-root-x86-64": "4f68bce3-e8cd-4db1-96e7-fbcaf984b709",
    "linux-usr-arm": "7d0359a3-02b3-4f0a-865c-654403e70625",
    "linux-usr-arm64": "b0e01050-ee5f-4390-949a-9101b17104e9",
    "linux-usr-riscv32": "b933fb22-5c3f-4f91-af90-e2bb0fa50702",
    "linux-usr-riscv64": "beaec34b-8442-439b-a40b-984381ed097d",
    "linux-usr-x86": "75250d76-8cc6-458e-bd66-bd47cc81a812",
    "linux-usr-x86-64": "8484680c-9521-48c6-9c11-b0720656f69e",
    "linux-home": "933ac7e1-2eb4-4f13-b844-0e14e2aef915",
    "linux-srv": "3b8f8425-20e0-4f3b-907f-1a25a76f98e8",
    "linux-var": "4d21b016-b534-45c2-a9fb-5c16e091fd2d",
    "linux-tmp": "7ec6f557-3bc5-4aca-b293-16ef5df639d1",
    "linux-swap": "0657fd6d-a4ab-43c4-84e5-0933c84b4f4f",
    "linux-root-arm-verity": "7386cdf2-203c-47a9-a498-f2ecce45a2d6",
    "linux-root-arm64-verity": "df3300ce-d69f-4c92-978c-9bfb0f38d820",
    "linux-root-riscv64-verity": "b6ed5582-440b-4209-b8da-5ff7c419ea3d",
    "linux-root-x86-64-verity": "2c7357ed-ebd2-46d9-aec1-23d437ec2bf5",
    "linux-data": "0fc63daf-8483-4772-8e79-3d69d8477de4",
    # UEFI leaves these to their makers; sgdisk --list-types has them.
    "linux-lvm": "e6d6d379-f507-44c2-a23c-238f2a3df928",
    "linux-raid": "a19d880f-05fc-4d3b-a006-743f0f84911e",
    "linux-luks": "ca7d7ccb-63ed-4c53-861c-1742536059cc",
    "bios-boot": "21686148-6449-6e6f-744e-656564454649",
    # U-Boot include/part_efi.h.
    "microsoft-basic-data": "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7",
    "u-boot-environment": "3de21764-95bd-54bd-a5c3-4abe786f38a8",
}
"""Plain name of each known partition type, and its GUID in lowercase text."""

# The specification's own identifiers; ours are its words in small letters, without the prefix.
_IDENTIFIERS = {"SD_GPT_LINUX_GENERIC": "linux-data"} | {
    f"SD_GPT_{name.removeprefix('linux-').replace('-', '_').upper()}": name
    for name in TYPE_NAMES
    if name in {"esp", "xbootldr"}
    or name.startswith(("linux-root-", "linux-usr-"))
    or name in {"linux-home", "linux-srv", "linux-var", "linux-tmp", "linux-swap"}
}
TYPE_WORDS = (*TYPE_NAMES, *_IDENTIFIERS)
"""What a layout may call a partition type, beside its GUID."""

_NAMES = {guid: name for name, guid in TYPE_NAMES.items()}


def guid_text(stored: bytes) -> str:
    """Give the text of 16 stored bytes: `c12a7328-f81f-11d2-ba4b-00a0c93ec93b`."""
    return _dashed(stored[3::-1] + stored[5:3:-1] + stored[7:5:-1] + stored[8:16])


def guid_bytes(text: str) -> bytes:
    """Give the 16 bytes that store a GUID.

    Raises:
        ValueError: the text is no GUID.

    """
    plain = bytes.fromhex(text.replace("-", ""))
    if _dashed(plain) != text.lower():
        raise ValueError(f"{text!r} is not a GUID: write 8-4-4-4-12 hex digits")
    return plain[3::-1] + plain[5:3:-1] + plain[7:5:-1] + plain[8:]


def partition_type(text: str) -> str:
    """Give the GUID of a partition type: of our name, the specification's, or a GUID itself.

    Raises:
        ValueError: it is none of them.

    """
    guid = TYPE_NAMES.get(_IDENTIFIERS.get(text, text), text)
    guid_bytes(guid)
    return guid.lower()


def byte_swapped(guid: str) -> str:
    """Give what a GUID reads as if its writer stored it big-endian; its own inverse."""
    return _dashed(guid_bytes(guid))


def type_name(guid: str) -> str | None:
    """Give the plain name of a partition type, if it is known."""
    return _NAMES.get(guid.lower())


def _dashed(plain: bytes) -> str:
    text = plain.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"
