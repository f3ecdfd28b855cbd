"""What U-Boot needs of a FIT: whole data, true labels, configurations that lead somewhere."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

from imgaudit.contents.place import Node
from imgaudit.contents.starts import configuration_of
from imgaudit.formats import readers
from imgaudit.formats.facts import Match
from imgaudit.formats.fit import FitFacts, Image
from imgaudit.formats.uimage import U_BOOT_UNPACKS
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import (
    FIRST_INSTRUCTION,
    KERNEL_ARCH,
    compressor,
    damaged,
    lands_wrong,
    misfit,
    ram_size,
)
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import Example, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of
from imgaudit.rules.subject import Subject
from imgaudit.units import Span, joined
from imgaudit.writers.fdt import Tree

_KERNELS = frozenset({"kernel", "kernel_noload"})
# What U-Boot itself unpacks; it hands on a ramdisk as stored.
_UNPACKED = _KERNELS | {"flat_dt", "standalone", "firmware"}
# U-Boot boot/image-fit.c, fit_image_load(), asks these for their architecture, or did.
_ARCHITECTURE_MATTERS = _KERNELS | {"flat_dt", "ramdisk"}
_WEAK = frozenset({"crc16-ccitt", "crc32", "md5", "sha1"})
_SHOWN = 4
_KERNEL_OF = {arch: format_ for format_, arch in KERNEL_ARCH.items()}
# SPL appends a device tree to U-Boot whatever its architecture, and enters `firmware` alone.
_UNREAD_BY_SPL = frozenset({"arch", "entry", "os", "compression"})


def _one(data: bytes, rest: str = "") -> Example:
    return nor(
        "name: recovery, at: 0, size: 128 KiB, holds: fit, file: recovery.itb",
        rest=rest,
        files={"recovery.itb": lambda: data},
    )


_GOOD = _one(sample.fit())


def _images(found: Node[FitFacts]) -> Iterator[_Held]:
    for image in found.facts.images:
        yield found, image


_Held = tuple[Node[FitFacts], Image]
"""An image and the FIT that holds it."""
FITS = contents_of(FitFacts)
IMAGES = FITS.each(_images)


def _span(image: Image) -> tuple[int, int]:
    """Give where the image's data is and how long, or its node where there is none."""
    if image.data_offset is None:
        return image.offset, 0
    return image.data_offset, image.data_size or 0


def _cut_values(*, size: int, wanted: int, short: int) -> None: ...


CUT = Rule(
    name="fit-cut",
    severity=Severity.ERROR,
    values=_cut_values,
    message="{content} is {size:bytes}, but its header says {wanted:bytes}",
    effect="U-Boot takes what follows in flash or RAM for the rest of the tree, or refuses it.",
    fix="Copy the file again; it was cut by {short:bytes}.",
    computed="the tree's totalsize is above the size of the file",
    sources=(
        standard(
            "Devicetree Specification 0.4",
            "5.2",
            copy=in_u_boot("scripts/dtc/libfdt/fdt.h", "totalsize", "total size of DT block"),
        ),
    ),
    bad=_one(sample.fit()[:4] + (64 << 10).to_bytes(4, "big") + sample.fit()[8:]),
    good=_GOOD,
)


@check(CUT, over=FITS)
def fit_cut(found: Node[FitFacts]) -> Outcome:
    size, wanted = found.content.size, found.facts.totalsize
    if wanted > size:
        yield CUT(size=size, wanted=wanted, short=wanted - size).inside(found, at=4, length=4)


def _hash_values(hash: str, *, algorithm: str, stored: str, computed: str | None) -> None: ...


HASH = Rule(
    name="fit-hash-mismatch",
    severity=Severity.ERROR,
    values=_hash_values,
    message="{content}: {hash} stores the {algorithm} {stored:.16}, the data gives {computed:.16}",
    effect='U-Boot says "Bad hash value" and does not boot the image, unless its variable verify is'
    " no: then it starts what is there.",
    fix="Make the FIT again from the final files; do not change data inside a finished one.",
    computed="the algorithm over the image's bytes as stored is not the hash node's value; shown"
    " are the first 16 digits",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_image_check_hash", "Bad hash value"),
        in_u_boot("boot/image-fit.c", "fit_image_select", "if (verify) {"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"data": sample.arm64_kernel(text_offset=1)})})),
    good=_GOOD,
)


@check(HASH, over=FITS)
def fit_hash(found: Node[FitFacts]) -> Outcome:
    # A value of no bytes is one, of the wrong length; none at all is another rule's.
    empty = {
        f"{image.name}/{hash_.name}"
        for image in found.facts.images
        for hash_ in image.hashes
        if hash_.value == ""
    }
    for checksum in found.facts.checksums:
        if checksum.matches is None:
            where = f"{found.content.name}/{checksum.name}"
            yield NotChecked(HASH.name, where, checksum.why)
        elif not checksum.matches and (checksum.stored or checksum.name in empty):
            yield HASH(
                hash=checksum.name,
                algorithm=checksum.algorithm,
                stored=checksum.stored or "no bytes",
                computed=checksum.computed,
            ).inside(found, at=checksum.covers.start, length=checksum.covers.size)


def _unhashed_values(image: str) -> None: ...


UNHASHED = Rule(
    name="fit-without-hash",
    severity=Severity.WARNING,
    values=_unhashed_values,
    message="{content}: nothing protects the image {image}: it has no hash",
    effect="U-Boot starts it whatever became of it in flash or in a download.",
    fix='Add a node hash-1 with algo = "sha256" to the image and let mkimage fill it in.',
    computed="the image has data, but neither a hash nor a signature node",
    sources=(
        in_u_boot(
            "boot/image-fit.c",
            "fit_image_verify_with_data",
            "Process all hash subnodes of the component image node",
        ),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"hash-1": ()})})),
    good=_GOOD,
)


@check(UNHASHED, over=IMAGES)
def fit_unhashed(held: _Held) -> Outcome:
    found, image = held
    if image.data_size and not image.hashes and not image.signatures:
        at, size = _span(image)
        yield UNHASHED(image=image.name).inside(found, at=at, length=size)


_CRC: Tree = {"algo": "crc32", "value": zlib.crc32(sample.arm64_kernel())}


def _weak_values(image: str, *, algorithms: str) -> None: ...


WEAK = Rule(
    name="fit-hash-weak",
    severity=Severity.NOTE,
    values=_weak_values,
    message="{content}: the image {image} is protected by {algorithms} only",
    effect="It finds most bit errors, but not data that someone made to fit.",
    fix='Use algo = "sha256" in the image\'s hash node.',
    computed="every hash of the image is a CRC, MD5 or SHA-1, and it has no signature",
    sources=(
        in_u_boot("doc/uImage.FIT/source_file_format.txt", "algo"),
        PRACTICE,
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"hash-1": _CRC})})),
    good=_GOOD,
)


@check(WEAK, over=IMAGES)
def fit_weak(held: _Held) -> Outcome:
    found, image = held
    algorithms = {hash_.algo or "" for hash_ in image.hashes}
    if algorithms and algorithms <= _WEAK and not image.signatures:
        yield WEAK(image=image.name, algorithms=" and ".join(sorted(algorithms))).inside(
            found, at=image.hashes[0].offset, length=0
        )


def _empty_values(image: str, *, what: str, happens: str) -> None: ...


EMPTY = Rule(
    name="fit-image-without-data",
    severity=Severity.ERROR,
    values=_empty_values,
    message="{content}: the image {image} {what}",
    effect="{happens}.",
    fix="Look for the file that /incbin/ or binman should bring in, and make the FIT again.",
    computed="the image has neither data, data-offset nor data-position, or its size is 0; where"
    " that is of a firmware that SPL loads beside its program, a warning",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_image_verify", "Can't get image data/size"),
        in_u_boot("boot/image-fit.c", "fit_image_load", "Could not find %s subimage data!"),
        in_u_boot("common/spl/spl_fit.c", "spl_load_fit_image", "Skip load '%s': image size is 0!"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"data": ()})})),
    good=_GOOD,
)


@check(EMPTY, over=IMAGES)
def fit_empty(held: _Held) -> Outcome:
    found, image = held
    # External data without data-size is told as a missing property.
    if image.location is None:
        yield EMPTY(
            image=image.name,
            what="has no data",
            happens='U-Boot boots no configuration that asks for it: "Can\'t get image data/size"'
            ' where it verifies, and "Could not find … subimage data!" with verify=no',
        ).inside(found, at=image.offset, length=0)
    elif image.data_size == 0:
        spare = _beside(found.facts, image)
        yield EMPTY(
            image=image.name,
            what="is empty: its data has 0 bytes",
            happens="SPL loads nothing for it and goes on; what would use that firmware, such as"
            " a processor of its own, finds nothing at its address"
            if spare
            else "What takes it gets nothing: no program, no device tree, no ramdisk",
        ).inside(found, at=image.offset, length=0, severity=Severity.WARNING if spare else None)


def _beside(facts: FitFacts, image: Image) -> bool:
    """Tell whether SPL loads an image beside the program that it starts, and U-Boot.

    Binman leaves an optional firmware that a build lacks empty, such as that of a power manager;
    SPL asks for no architecture of it.
    """
    first = {
        choice.firmware or next(iter(choice.loadables), None) for choice in facts.configurations
    }
    return (
        facts.first_stage_only(image.name)
        and image.type in {"firmware", "tee"}
        and image.os != "u-boot"
        and image.name not in first
    )


_BEHIND: sample.Changes = {"data": (), "data-offset": 0, "data-size": 1024}


def _external_values(image: str, *, start: int, size: int, short: int) -> None: ...


EXTERNAL = Rule(
    name="fit-external-data-missing",
    severity=Severity.ERROR,
    values=_external_values,
    message=(
        "{content}: the image {image} lies at {start:place} and takes {size:bytes}, {short:bytes}"
        " of it past the end of the file"
    ),
    effect="U-Boot boots whatever follows in flash or RAM in its place, or reports a bad hash.",
    fix="Copy the whole file: external data follows the tree, past its totalsize.",
    computed="the data's offset (from totalsize rounded up to 4) or position plus data-size is"
    " above the size of the file",
    sources=(
        in_u_boot("doc/uImage.FIT/source_file_format.txt", "data-position"),
        in_u_boot("boot/image-fit.c", "fit_image_get_data_and_size"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel(_BEHIND)})),
    good=_one(sample.fit({"kernel": sample.kernel(_BEHIND)}) + sample.arm64_kernel()),
)


@check(EXTERNAL, over=IMAGES)
def fit_external(held: _Held) -> Outcome:
    found, image = held
    at, size = _span(image)
    if size > image.data_present:
        short = size - image.data_present
        yield EXTERNAL(image=image.name, start=at, size=size, short=short).inside(
            found, at=at, length=size
        )


def _default_values(*, what: str, names: str) -> None: ...


DEFAULT = Rule(
    name="fit-default-configuration-missing",
    severity=Severity.ERROR,
    values=_default_values,
    message="{content} {what}",
    effect='Without a configuration\'s name, bootm says "Could not find configuration node".',
    fix="Let default name one of: {names}.",
    computed="default names no configuration (error), or is absent although there are"
    " configurations (warning: a script may name one)",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_conf_get_node", "Could not find configuration node"),
    ),
    bad=_one(sample.fit(default="conf-1")),
    good=_GOOD,
)


@check(DEFAULT, over=FITS)
def fit_default(found: Node[FitFacts]) -> Outcome:
    facts = found.facts
    if not facts.configurations:
        return
    named = facts.default is not None
    if named and configuration_of(facts, None) is not None:
        return
    names = _listed([configuration.name for configuration in facts.configurations])
    yield DEFAULT(
        what=f"has no configuration {facts.default}, its default"
        if named
        else "names no default configuration",
        names=names,
    ).inside(
        found,
        at=facts.offsets["default" if named else "configurations"],
        length=0,
        severity=None if named else Severity.WARNING,
    )


def _kernelless_values(configuration: str, *, names: str) -> None: ...


KERNELLESS = Rule(
    name="fit-default-configuration-without-kernel",
    severity=Severity.ERROR,
    values=_kernelless_values,
    message="{content}: {configuration}, the default configuration, names no kernel",
    effect="Without a configuration's name, bootm says \"can't get kernel image!\" and comes back.",
    fix="Give the default configuration a kernel, or let default name one that has it: {names}.",
    computed="the FIT has a kernel, and its default configuration has neither a kernel nor what SPL"
    " reads (firmware, loadables), and is not load-only",
    sources=(
        in_u_boot("boot/bootm.c", "bootm_find_os", "ERROR: can't get kernel image!"),
        in_u_boot("boot/image-fit.c", "fit_image_load", "Could not find subimage node type '%s'"),
    ),
    bad=_one(
        sample.fit(
            {"kernel": sample.kernel(), "ramdisk": sample.image()},
            configurations={
                "conf": {"ramdisk": "ramdisk"},
                "whole": {"kernel": "kernel", "ramdisk": "ramdisk"},
            },
        )
    ),
    good=_GOOD,
)


@check(KERNELLESS, over=FITS)
def fit_kernelless(found: Node[FitFacts]) -> Outcome:
    facts = found.facts
    default = configuration_of(facts, None)
    if default is None or default.kernel is not None or default.first_stage:
        return
    with_kernel = [choice.name for choice in facts.configurations if choice.kernel]
    kernels = any(image.type in _KERNELS for image in facts.images)
    if kernels and not default.load_only:
        yield KERNELLESS(
            configuration=default.name, names=_listed(with_kernel) or "none has one yet"
        ).inside(found, at=default.offset, length=0)


def _dangling_values(role: str, image: str, *, configurations: str, names: str) -> None: ...


DANGLING = Rule(
    name="fit-configuration-dangling",
    severity=Severity.ERROR,
    values=_dangling_values,
    message="{content}: no image is called {image}, the {role} of {configurations}",
    effect="Without its kernel U-Boot does not boot the configuration. A device tree or a ramdisk"
    " that it cannot find it leaves out without a word, an overlay after a message.",
    fix="Correct the name; the images are: {names}.",
    computed="a configuration's property names no node under /images",
    sources=(
        in_u_boot("boot/image-board.c", "select_ramdisk", "quit silently (with -ENOPKG)"),
        in_u_boot("boot/image-fdt.c", "select_fdt", "if (fdt_noffset == -ENOENT) return -ENOPKG;"),
        in_u_boot("boot/image-fit.c", "fit_get_node_from_config"),
        in_u_boot("boot/image-fit.c", "boot_get_fdt_fit", "load of %s failed"),
    ),
    bad=_one(sample.fit(configurations={"conf": {"kernel": "kernel", "fdt": "fdt-1"}})),
    good=_GOOD,
)


@check(DANGLING, over=FITS)
def fit_dangling(found: Node[FitFacts]) -> Outcome:
    facts = found.facts
    missing: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for configuration in facts.configurations:
        for reference in configuration.references:
            if facts.image(reference.image) is None:
                wanted = missing.setdefault((reference.role, reference.image), [])
                wanted.append((configuration.name, reference.offset))
    for (role, image), wanted in missing.items():
        configurations = list(dict.fromkeys(name for name, _ in wanted))
        yield DANGLING(
            configurations=_listed(configurations),
            role=role,
            image=image,
            names=_listed([image.name for image in facts.images]) or "none",
        ).inside(found, at=wanted[0][1], length=len(image) + 1)


def _listed(names: list[str]) -> str:
    return ", ".join(names[:_SHOWN]) + (", …" if len(names) > _SHOWN else "")


def _property_values(node: str, *, missing: str) -> None: ...


PROPERTY = Rule(
    name="fit-property-missing",
    severity=Severity.ERROR,
    values=_property_values,
    message="{content}: {node} lacks {missing}",
    effect="U-Boot refuses the image or the whole FIT where it needs the property. arch of a device"
    " tree or a ramdisk is asked for by older U-Boots only.",
    fix="Add it to the source of the FIT; compile that with mkimage, which fills in the hashes.",
    computed="a property is absent that the specification or U-Boot demands: an error where U-Boot"
    " cannot go on without it, else a warning; what SPL does not read of its images is not asked"
    " for",
    sources=(
        in_u_boot("doc/uImage.FIT/source_file_format.txt", says="Mandatory properties"),
        in_u_boot(
            "boot/image-fit.c", "fit_check_format", "mandatory / node 'description' property"
        ),
        in_u_boot("boot/image-fit.c", "fit_image_load", "(!type_ok || !os_ok) &&"),
        in_u_boot("boot/bootm.c", "bootm_find_os", "Can't get image load address!"),
        in_u_boot("common/spl/spl_fit.c", "spl_load_simple_fit"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"arch": ()})})),
    good=_GOOD,
)


@check(PROPERTY, over=FITS)
def fit_property(found: Node[FitFacts]) -> Outcome:
    facts = found.facts
    missing = ["description"] if facts.description is None else []
    # Only the commands of U-Boot itself ask for it (fit_check_format).
    by_spl = bool(facts.configurations) and all(it.first_stage for it in facts.configurations)
    missing += [name for name in facts.missing if not (by_spl and name == "timestamp")]
    if missing:
        yield PROPERTY(node="the root node", missing=" and ".join(missing)).inside(
            found, length=0, severity=None if facts.description is None else Severity.WARNING
        )
    for image in facts.images:
        missing = [name for name in image.missing if name != "data"]
        missing += [
            f"{hash_.name}/{'algo' if hash_.algo is None else 'value'}"
            for hash_ in image.hashes
            if hash_.algo is None or hash_.value is None
        ]
        if facts.first_stage_only(image.name):
            missing = [name for name in missing if name not in _UNREAD_BY_SPL]
        if missing:
            yield PROPERTY(node=image.name, missing=" and ".join(missing)).inside(
                found,
                at=image.offset,
                length=0,
                severity=None if _needed(facts, image, missing) else Severity.WARNING,
            )


def _needed(facts: FitFacts, image: Image, missing: list[str]) -> bool:
    """Tell whether U-Boot fails without one of these, rather than only lacking a text."""
    needed = {"data-size"}
    if not facts.first_stage_only(image.name):
        needed.add("type")  # SPL says that it cannot get it, and goes on (load_simple_fit)
    if image.type in _ARCHITECTURE_MATTERS and not facts.first_stage_only(image.name):
        needed.add("arch")
    if image.type in _KERNELS:
        needed |= {"os", "compression", "load", "entry"}
    if image.type == "ramdisk":
        needed.add("os")
    return any(name in needed or "/" in name for name in missing)


def _cells_values(image: str, property: str, *, cells: int, wanted: int) -> None: ...


CELLS = Rule(
    name="fit-address-cells-mismatch",
    severity=Severity.WARNING,
    values=_cells_values,
    message="{content}: {image} gives {property} in {cells:+cell}, but #address-cells is {wanted}",
    effect="A loader that goes by #address-cells reads another address, and jumps there.",
    fix="Write addresses in {wanted:+cell}, or correct #address-cells in the root node.",
    computed="the 32-bit cells of load or entry are not as many as #address-cells says; U-Boot"
    " itself goes by the property's length",
    sources=(
        standard(
            "Flat Image Tree Specification",
            "chapter 2, Root node",
            copy=in_u_boot(
                "doc/uImage.FIT/source_file_format.txt",
                says="address size is determined by '#address-cells' property of the root node.",
            ),
        ),
        in_u_boot("boot/image-fit.c", "fit_image_get_address"),
    ),
    bad=_one(sample.fit(changes={"#address-cells": 2})),
    good=_GOOD,
)


@check(CELLS, over=IMAGES)
def fit_cells(held: _Held) -> Outcome:
    found, image = held
    wanted = found.facts.address_cells
    for name, cells in (("load", image.load_cells), ("entry", image.entry_cells)):
        if wanted is not None and cells not in {0, wanted}:
            yield CELLS(image=image.name, property=name, cells=cells, wanted=wanted).inside(
                found, at=image.offsets[name], length=4 * cells
            )


_PACKED = sample.packed(sample.arm64_kernel())


def _compression_values(
    image: str, *, label: str, real: str, happens: str, advice: str
) -> None: ...


COMPRESSION = Rule(
    name="fit-compression-mislabelled",
    stops=True,
    severity=Severity.ERROR,
    values=_compression_values,
    message='{content}: {image} says compression = "{label}", but {real}',
    effect="{happens}.",
    fix="{advice}.",
    computed="the first bytes of the data are not what compression says, or it says what U-Boot"
    " cannot unpack; of a ramdisk: compression is anything but none",
    sources=(
        in_u_boot(
            "boot/image-fit.c",
            "fit_image_load",
            "WARNING: 'compression' nodes for ramdisks are deprecated, please fix your .its file!",
        ),
        in_u_boot("doc/uImage.FIT/source_file_format.txt", "compression"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel(payload=_PACKED)})),
    good=_one(
        sample.fit(
            {
                "kernel": sample.kernel({"compression": "gzip"}, payload=_PACKED),
                "ramdisk": sample.image(payload=_PACKED),
            },
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        )
    ),
)


@check(COMPRESSION, over=IMAGES)
def fit_compression(held: _Held) -> Outcome:
    found, image = held
    content = found.content.part(image.name)
    label = image.compression
    if content is None or image.cipher is not None or label is None:
        return
    real = compressor(content)
    said = "the data is not compressed" if real is None else f"the data is {real}"
    advice = f'Say compression = "{real or "none"}"'
    severity = None
    if image.type == "ramdisk":
        if label == "none":
            return
        severity, advice = Severity.WARNING, 'Say compression = "none"'
        said = "the kernel unpacks a ramdisk itself" if real == label else said
        happens = "Older U-Boots unpack the ramdisk, newer ones warn and hand it on as it is"
    elif label == "none":
        if real is None or image.type not in _UNPACKED:
            return
        happens = "U-Boot takes the compressed bytes for the image itself"
    else:
        if real == label and label in U_BOOT_UNPACKS:
            return
        said = "U-Boot cannot unpack that" if real == label else said
        happens = "U-Boot fails to unpack the image and does not boot"
    if image.type != "ramdisk" and real is not None and real not in U_BOOT_UNPACKS:
        advice = "Compress the file with gzip, lzma, lz4 or zstd, and say so"
    at, size = _span(image)
    yield COMPRESSION(
        image=image.name, label=label, real=said, happens=happens, advice=advice
    ).inside(found, at=at, length=size, severity=severity)


def _other_type_values(image: str, *, wanted: str, found: str) -> None: ...


OTHER_TYPE = Rule(
    name="fit-image-not-its-type",
    severity=Severity.ERROR,
    values=_other_type_values,
    message="{content}: {image} should be: {wanted}; it is: {found}",
    effect='U-Boot refuses a device tree that is none, "Subimage data is not a FDT", and jumps into'
    " a kernel as it is: nothing starts.",
    fix="Put the right file into the FIT, or correct the image's type and arch.",
    computed="the data, unpacked, is not a device tree (type flat_dt), or has no kernel header"
    " (type kernel for Linux on arm64 and riscv), or that of another architecture than arch says",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_image_load", "Subimage data is not a FDT"),
        in_u_boot("boot/bootm.c", "bootm_find_os", "images.os.type == IH_TYPE_KERNEL_NOLOAD"),
        in_u_boot("arch/arm/lib/image.c", "booti_setup", "Bad Linux ARM64 Image magic!"),
        in_linux("Documentation/arm64/booting.rst", "magic"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel(payload=b"tide" * 64)})),
    good=_GOOD,
)


@check(OTHER_TYPE, over=IMAGES)
def fit_other_type(held: _Held) -> Outcome:
    found, image = held
    content, wanted = found.content.part(image.name), _wanted(image)
    if content is None or image.cipher is not None or damaged(content):
        return
    inner = content.unwrapped()
    known = inner.format is not None and inner.match is not Match.NO
    if wanted is None and image.type in _KERNELS and known:
        # A kernel that says another architecture is wrong whatever else it could be.
        other = KERNEL_ARCH.get(inner.format or "", image.arch) != image.arch
        wanted = _KERNEL_OF.get(image.arch or "") if other else None
    if wanted is None or (known and inner.format == wanted):
        return
    at, size = _span(image)
    yield OTHER_TYPE(
        image=image.name,
        wanted=readers()[wanted].title,
        found=inner.title if known else "no format that is known",
    ).inside(found, at=at, length=size)


def _wanted(image: Image) -> str | None:
    """Name the format that an image has by its type; None where it may be anything."""
    if image.type == "flat_dt":
        return "fdt"
    if image.type in _KERNELS and image.os == "linux":
        # On arm a FIT may have the kernel without the zImage around it.
        return {**_KERNEL_OF, "arm": None}.get(image.arch or "")
    return None


def _overlap_values(
    one: str,
    other: str,
    *,
    configuration: str,
    one_start: int,
    one_end: int,
    other_start: int,
    other_end: int,
    size: int,
) -> None: ...


OVERLAP = Rule(
    name="fit-load-ranges-overlap",
    severity=Severity.ERROR,
    values=_overlap_values,
    message=(
        "{content}: {configuration} loads {one} to {one_start:place}..{one_end:place} and {other}"
        " to {other_start:place}..{other_end:place}"
    ),
    effect="The image that is loaded last destroys {size:bytes} of the other.",
    fix="Move one of the load addresses by at least {size:bytes}.",
    computed="two images of one configuration, each from load on for its unpacked size (an arm64"
    " or RISC-V kernel: its image_size), share at least one byte",
    sources=(
        in_u_boot("boot/bootm.c", "bootm_load_os"),
        in_linux("Documentation/arm64/booting.rst", "image_size"),
    ),
    bad=_one(
        sample.fit(
            {
                "kernel": sample.kernel(),
                "ramdisk": sample.image({"load": sample.KERNEL_AT + 0xFF00}),
            },
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        )
    ),
    good=_one(
        sample.fit(
            {
                "kernel": sample.kernel(),
                "ramdisk": sample.image({"load": sample.KERNEL_AT + 0x10000}),
            },
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        )
    ),
)


def _in_ram(found: Node[FitFacts], image: Image) -> Span | None:
    """Say which RAM an image takes; None where U-Boot chooses the place, or the size is unknown."""
    content = found.content.part(image.name)
    if image.load is None or content is None or image.type == "kernel_noload":
        return None
    if damaged(content):
        return None
    if image.type == "ramdisk":
        # U-Boot takes load = <0> of a ramdisk for no load address, and never unpacks it.
        return Span.sized(image.load, content.size) if image.load else None
    return Span.sized(image.load, ram_size(content, image.compression))


def _started(subject: Subject) -> set[int]:
    """Identify the contents of which the RAM of a followed start tells: its own rules judge it."""
    return {
        id(piece.content)
        for followed in subject.boots.followed.values()
        for start in followed.starts
        if start.map is not None
        for piece in start.pieces
    }


@check(OVERLAP, over=FITS, given=_started)
def fit_overlap(found: Node[FitFacts], started: set[int]) -> Outcome:
    seen: set[tuple[str, str]] = set()
    for configuration in found.facts.configurations:
        named = dict.fromkeys(item.image for item in configuration.references)
        for (one, first), (other, second) in _colliding(
            [
                (image, _in_ram(found, image))
                for name in named
                if (image := found.facts.image(name)) is not None
            ]
        ):
            pair = {id(found.content.part(image.name)) for image in (one, other)}
            # Configurations that share a kernel and a ramdisk share the fault.
            if (one.name, other.name) in seen or pair <= started:
                continue
            seen.add((one.name, other.name))
            at, size = _span(other)
            yield OVERLAP(
                configuration=configuration.name,
                one=one.name,
                one_start=first.start,
                one_end=first.end,
                other=other.name,
                other_start=second.start,
                other_end=second.end,
                size=first.common(second).size,
            ).inside(found, at=at, length=size)


_Loaded = tuple[Image, Span]


def _colliding(images: list[tuple[Image, Span | None]]) -> Iterator[tuple[_Loaded, _Loaded]]:
    """Give each image that starts inside an earlier one, with the one that reaches furthest."""
    loaded = [(image, span) for image, span in images if span is not None]
    furthest: _Loaded | None = None
    for image, span in sorted(loaded, key=lambda item: item[1]):
        if furthest is not None and furthest[0] is not image and span.overlaps(furthest[1]):
            yield furthest, (image, span)
        if furthest is None or span.end > furthest[1].end:
            furthest = image, span


def _outside_values(image: str, *, start: int, end: int) -> None: ...


OUTSIDE = Rule(
    name="fit-load-outside-ram",
    stops=True,
    severity=Severity.ERROR,
    values=_outside_values,
    message="{content}: {image} loads to {start:place}..{end:place}, which is not all RAM",
    effect="U-Boot writes where no RAM is: it hangs or takes an exception while it loads.",
    fix="Move load into a bank of ram: in the layout, or correct the banks there.",
    computed="[load, load + size in RAM) of a kernel, device tree or ramdisk is not inside the"
    " banks, neighbouring banks joined",
    sources=(PRACTICE,),
    bad=_one(sample.fit(), rest="ram: {banks: [{at: 0x80000000, size: 2 MiB}]}\n"),
    good=_one(sample.fit(), rest="ram: {banks: [{at: 0x80000000, size: 4 MiB}]}\n"),
)


def _banks(subject: Subject) -> tuple[list[Span], set[int]] | None:
    banks = [bank.span for bank in subject.layout.banks] if subject.layout is not None else []
    return (joined(banks), _started(subject)) if banks else None


@check(OUTSIDE, over=IMAGES, given=_banks)
def fit_outside(held: _Held, given: tuple[list[Span], set[int]]) -> Outcome:
    found, image = held
    banks, started = given
    # Firmware may well be loaded into SRAM, which the layout does not name.
    span = _in_ram(found, image) if image.type in _ARCHITECTURE_MATTERS else None
    if span is None or id(found.content.part(image.name)) in started:
        return
    if not any(bank.contains(span) for bank in banks):
        yield OUTSIDE(image=image.name, start=span.start, end=span.end).inside(
            found, at=image.offsets["load"], length=4 * image.load_cells
        )


def _entry_values(image: str, *, entry: int, start: int, end: int, must: str) -> None: ...


ENTRY = Rule(
    name="fit-entry-outside-kernel",
    stops=True,
    severity=Severity.ERROR,
    values=_entry_values,
    message="{content}: {image} is entered at {entry:place}, and its kernel, at"
    " {start:place}..{end:place}, {must}",
    effect="U-Boot jumps to where the kernel does not begin: nothing more is heard after"
    ' "Starting kernel".',
    fix="Set entry to where the kernel's first instruction is loaded, as a rule load itself.",
    computed="entry of a kernel is not in [load, load + size in RAM); of an Image of arm64 or"
    " RISC-V and of a zImage, it is not load",
    sources=(
        PRACTICE,
        *FIRST_INSTRUCTION,
        in_u_boot("boot/bootm.c", "bootm_find_os", "Can't get entry point property!"),
        in_u_boot("arch/arm/lib/bootm.c", "announce_and_cleanup", "Starting kernel ..."),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"entry": 0x80080000})})),
    good=_GOOD,
)


@check(ENTRY, over=IMAGES)
def fit_entry(held: _Held) -> Outcome:
    found, image = held
    span = _in_ram(found, image) if image.type == "kernel" else None
    if span is None or image.entry is None:
        return
    must = lands_wrong(found.content.part(image.name), span, image.entry)
    if must is None:
        return
    case = ENTRY(image=image.name, entry=image.entry, start=span.start, end=span.end, must=must)
    yield case.inside(found, at=image.offsets["entry"], length=4 * image.entry_cells)


def _at_sign_values(*, count: int, names: str) -> None: ...


AT_SIGN = Rule(
    name="fit-node-name-with-at-sign",
    severity=Severity.WARNING,
    values=_at_sign_values,
    message="{content}: {count} of its nodes have an @ in their name: {names}",
    effect='A U-Boot that verifies signatures refuses a FIT with such names: "Signature checking'
    ' prevents use of unit addresses (@) in nodes".',
    fix="Write kernel-1 for kernel@1, and so on, also where scripts name a configuration.",
    computed="the name of an image, a configuration, a hash or a signature has an @",
    sources=(
        in_u_boot("boot/image-fit.c", "fdt_check_no_at", "if (!name || strchr(name, '@'))"),
        in_u_boot(
            "boot/image-fit.c",
            "fit_image_load",
            "Signature checking prevents use of unit addresses (@) in nodes",
        ),
    ),
    bad=_one(
        sample.fit(
            {"kernel@1": sample.kernel()},
            configurations={"conf@1": {"kernel": "kernel@1"}},
            default="conf@1",
        )
    ),
    good=_GOOD,
)


@check(AT_SIGN, over=FITS)
def fit_at_sign(found: Node[FitFacts]) -> Outcome:
    facts = found.facts
    nodes: list[tuple[str, int]] = []
    for image in facts.images:
        nodes.append((image.name, image.offset))
        nodes += [(hash_.name, hash_.offset) for hash_ in image.hashes]
        nodes += [(signature.name, signature.offset) for signature in image.signatures]
    for configuration in facts.configurations:
        nodes.append((configuration.name, configuration.offset))
        nodes += [(signature.name, signature.offset) for signature in configuration.signatures]
    wrong = [(name, offset) for name, offset in nodes if "@" in name]
    if wrong:
        names = list(dict.fromkeys(name for name, _ in wrong))
        yield AT_SIGN(count=len(wrong), names=_listed(names)).inside(
            found, at=wrong[0][1], length=0
        )


def _architecture_values(image: str, *, type: str, arch: str, wanted: str) -> None: ...


ARCHITECTURE = Rule(
    name="fit-wrong-architecture",
    severity=Severity.ERROR,
    values=_architecture_values,
    message='{content}: {image} ({type}) is for "{arch}", the board is {wanted}',
    effect='An older U-Boot says "Unsupported Architecture" and starts nothing. Newer ones do not'
    " ask on a real board: a kernel that the processor cannot run they start, and nothing more is"
    " heard; of a device tree or a ramdisk it does no harm there.",
    fix="Put the file that was built for {wanted} into the FIT, or correct its arch.",
    computed="an image's arch is not that of the layout; scripts and FPGA data have none. A warning"
    " for all but kernel, device tree and ramdisk, and for arm on arm64, which may start it in"
    " 32-bit state; firmware that SPL loads beside its program may be for a processor of its own",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_image_check_target_arch"),
        in_u_boot("boot/image-fit.c", "fit_image_load", "Unsupported Architecture"),
        in_u_boot(
            "boot/image-fit.c",
            "fit_image_load",
            "if (!tools_build() && IS_ENABLED(CONFIG_SANDBOX)) {",
        ),
        in_u_boot("arch/arm/lib/bootm.c", "boot_jump_linux", "(images->os.arch == IH_ARCH_ARM)"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"arch": "x86_64"})})),
    good=_GOOD,
)


@check(ARCHITECTURE, over=IMAGES, given=board_arch)
def fit_architecture(held: _Held, arch: str) -> Outcome:
    found, image = held
    if image.arch is None or image.type in {"script", "fpga", "filesystem"}:
        return
    severity = misfit(image.arch, arch)
    if severity is None or _beside(found.facts, image):
        return
    yield ARCHITECTURE(
        image=image.name, type=image.type or "no type", arch=image.arch, wanted=arch
    ).inside(
        found,
        at=image.offsets["arch"],
        length=len(image.arch) + 1,
        severity=severity if image.type in _ARCHITECTURE_MATTERS else Severity.WARNING,
    )


def _unsigned_values(what: str) -> None: ...


UNSIGNED = Rule(
    name="fit-signature-incomplete",
    severity=Severity.WARNING,
    values=_unsigned_values,
    message="{content}: {what}",
    effect="A U-Boot that demands signatures refuses it, or starts parts that nobody signed.",
    fix="Sign with mkimage -k, in every configuration, over all that it starts.",
    computed="a signature node has no value; or images are signed and no configuration is; or a"
    " configuration's hashed-nodes leave out an image that it names",
    sources=(
        in_u_boot(
            "doc/uImage.FIT/signature.txt",
            says="create a FIT with the same signed images, but with the configuration changed such"
            " that a different one is selected (mix and match attack)",
        ),
        in_u_boot("doc/uImage.FIT/signature.txt", "sign-images"),
    ),
    bad=_one(sample.fit({"kernel": sample.kernel({"signature-1": {"algo": "sha256,rsa2048"}})})),
    good=_GOOD,
)


@check(UNSIGNED, over=FITS)
def fit_unsigned(found: Node[FitFacts]) -> Outcome:
    for at, what in _unsigned(found.facts):
        yield UNSIGNED(what=what).inside(found, at=at, length=0)


def _unsigned(facts: FitFacts) -> Iterator[tuple[int, str]]:
    holders = [(image.name, image.signatures) for image in facts.images]
    holders += [(choice.name, choice.signatures) for choice in facts.configurations]
    for name, signatures in holders:
        for signature in signatures:
            if not signature.value_size:
                yield signature.offset, f"{name}/{signature.name} was never filled in"
    signed = [image for image in facts.images if image.signatures]
    if signed and not any(configuration.signatures for configuration in facts.configurations):
        yield (
            signed[0].signatures[0].offset,
            "the images are signed but no configuration is, so they can be combined at will",
        )
    for configuration in facts.configurations:
        for signature in configuration.signatures:
            if not signature.hashed_nodes:
                continue
            covered = {node.split("/")[2] for node in signature.hashed_nodes if node.count("/") > 1}
            for image in dict.fromkeys(item.image for item in configuration.references):
                node = facts.image(image)
                if (image if node is None else node.name) not in covered:
                    yield (
                        signature.offset,
                        f"{configuration.name}/{signature.name} does not cover {image}",
                    )
