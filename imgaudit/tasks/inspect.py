"""What files are, on their own: recognised by content, with what is damaged in them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from imgaudit import bounds
from imgaudit.boot.signatures import Key, Seal, keys_of, signed_with
from imgaudit.contents.build import Build
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact, Content
from imgaudit.errors import ImgauditError
from imgaudit.formats.facts import Match
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import Configuration, FitFacts, Image, Signature
from imgaudit.rules.engine import NotChecked, Severity
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit, plain, said
from imgaudit.tasks.sections import (
    BROKEN,
    FOUND,
    PASS,
    Findings,
    Found,
    Line,
    Lines,
    Report,
    RuleText,
    Section,
    heading,
)
from imgaudit.units import both, place

_KEYS = 16  # of a file; a boot program has one or two
_SURE = {Match.WEAK: "possibly ", Match.GOOD: "", Match.SURE: "", Match.NO: ""}


def inspect(files: Iterable[str], *, deep: bool = False) -> Report:
    """Inspect files; `deep` unpacks what is in file systems too.

    Status 0: all read; 1: one is damaged; 2: one could not be read.
    """
    sections: list[Section] = []
    found: list[Any] = []
    missing: list[dict[str, str]] = []
    findings: list[Found] = []
    rules: dict[str, RuleText] = {}
    keys: list[tuple[str, Key]] = []
    signed: list[str] = []
    status = PASS
    for path in files:
        # Each file has a loader, and with it the memory for what is unpacked, of its own.
        try:
            with bounds.listening() as heard, Loader(full_digests=True, deep=deep) as loader:
                artifact = loader.file(path)
        except ImgauditError as problem:
            missing.append({"path": path, "why": str(problem)})
            continue
        keys += ((path, key) for key in _keys(artifact))
        signed += [path] if any(map(_signatures, artifact.content.walk())) else []
        result = audit.run(Subject(layout=None, others={path: artifact}), fail_on=Severity.ERROR)
        left = (NotChecked(None, where, why) for where, why in heard)
        result = replace(result, not_checked=(*result.not_checked, *left))
        # Only what is said of a file is kept, not its bytes: there may be many files.
        found.append(plain.artifact(artifact) | said.in_json(result))
        items = tuple(said.found(item) for item in result.findings)
        findings += items
        rules |= {item.rule.name: said.rule_text(item.rule) for item in result.findings}
        lines = Lines(tuple(_lines(artifact)))
        parts = (lines, Findings(items, depth=2)) if items else (lines,)
        sections.append(Section(_name(artifact.path), parts))
        if result.failed:
            status = FOUND
    verified = list(_verified(signed, keys)) if keys else []
    if verified:
        rows = tuple(Line(f"{where}: {says}", hang=2) for where, says, _ in verified)
        sections.append(Section(heading("Signatures"), (Lines(rows),)))
        if any(bad for *_, bad in verified):
            status = FOUND
    for item in missing:
        why = Lines((Line(f"could not be read: {item['why']}"),))
        sections.append(Section(Line(item["path"], depth=0), (why,)))
    return Report(
        command="inspect",
        title="What files are",
        status=BROKEN if missing else status,
        sections=tuple(sections),
        data=lambda: (
            said.head()
            | {"artifacts": found, "unreadable": missing}
            | {"signatures": [{"of": where, "says": says} for where, says, _ in verified]}
        ),
        findings=tuple(findings),
        rules=rules,
    )


def _keys(artifact: Artifact) -> Iterator[Key]:
    """Give the public keys in a file: a device tree, or a U-Boot that carries one."""
    from imgaudit.boot.firmware import firmware_of

    build = Build(layout=None, others={artifact.path: artifact})
    trees = [node.facts for node in build.of(FdtFacts)]
    trees += [tree for item in firmware_of(build) for tree in item.trees]
    found = {(key.name, key.node.path): key for tree in trees for key in keys_of(tree.tree)}
    yield from list(found.values())[:_KEYS]


def _signatures(content: Content) -> list[tuple[str, Signature]]:
    """Give what is signed in a FIT, by the name of the configuration or the image."""
    facts = content.facts
    if not isinstance(facts, FitFacts):
        return []
    parts: list[Configuration | Image] = [*facts.configurations, *facts.images]
    return [(part.name, signature) for part in parts for signature in part.signatures]


def _verified(
    paths: Iterable[str], keys: Iterable[tuple[str, Key]]
) -> Iterator[tuple[str, str, bool]]:
    """Hold the FITs among the files against the keys in them: what of which file, and the seal."""
    for path in paths:
        with Loader() as loader:
            build = Build(layout=None, others={path: loader.file(path)})
            for holder, key in list(keys)[:_KEYS]:
                for item in signed_with(build, [key]):
                    why = f" ({item.why})" if item.why else ""
                    says = f"with the key {key.name} of {holder}: {item.seal.value}{why}"
                    bad = item.seal is Seal.BAD and bool(key.required)
                    yield f"{item.name} of {item.fit.content.name}", says, bad


def _name(path: str) -> Line:
    return Line(path, role="strong", depth=0)


def _lines(artifact: Artifact) -> Iterator[Line]:
    yield Line(both(artifact.size))
    yield Line(f"SHA-256 {artifact.sha256}")
    if artifact.blank is not None:
        yield Line(f"blank: every byte is {artifact.blank:#04x}")
    yield from _tree(artifact.content, 2)
    facts = artifact.content.facts
    if facts is not None and facts.length is not None and 0 < facts.length < artifact.size:
        left = f"{both(artifact.size - facts.length)} from {place(facts.length)} on, behind its end"
        yield Line(f"{left}, were not looked at: a layout says what should be there", hang=2)


def _tree(content: Content, depth: int) -> Iterator[Line]:
    what = _SURE[content.match] + content.title if content.format else "not recognised"
    summary = content.facts.summary() if content.facts else ""
    yield Line(f"{what}{': ' + summary if summary else ''}", depth=depth, hang=2)
    below = depth + 2
    if content.unpacked is not None:
        exact = "" if content.complete else "at least "
        yield Line(f"unpacks to {exact}{both(content.unpacked)}", depth=below)
    if content.why and content.format:
        at = "" if content.damaged_at is None else f" at {place(content.damaged_at)}"
        yield Line(f"stops{at}: {content.why}", depth=below, hang=2)
    if content.inside is not None and content.inside.release is not None:
        built_in = "its configuration built in" if content.inside.config else "no configuration"
        yield Line(f"Linux {content.inside.release}, {built_in}", depth=below)
    if content.match is Match.WEAK and content.alternatives:
        yield Line(f"could also be: {', '.join(content.alternatives)}", depth=below, hang=2)
    if content.facts is not None:
        for checksum in content.facts.checksums:
            says = {True: "matches", False: "DOES NOT MATCH", None: f"not checked: {checksum.why}"}
            text = f"{checksum.name} {checksum.algorithm}: {says[checksum.matches]}"
            yield Line(text, depth=below, hang=2)
        for doubt in content.facts.doubts:
            yield Line(f"not sure: {doubt}", depth=below, hang=2)
    for name, signature in _signatures(content):
        by = f" by the key {signature.key_name_hint}" if signature.key_name_hint else ""
        state = "" if signature.value_size else ", not signed yet"
        over = f", over {', '.join(signature.sign_images)}" if signature.sign_images else ""
        text = f"{signature.name} of {name}: {signature.algo}{by}{over}{state}"
        yield Line(text, depth=below, hang=2)
    for key in keys_of(content.facts.tree) if isinstance(content.facts, FdtFacts) else ():
        wanted = {"conf": "configuration"}.get(key.required or "", key.required)
        demand = f", demanded of each {wanted}" if wanted else ""
        yield Line(f"key {key.name}: {key.algorithm or 'a curve'}{demand}", depth=below, hang=2)
    for child in content.children:
        at = f" at {place(child.offset)}" if child.offset >= 0 else ""
        name = child.name.removeprefix(content.name + "/")
        yield Line(f"{at}, {both(child.size)}", name=name, role="strong", depth=below, hang=2)
        yield from _tree(child, below + 2)
