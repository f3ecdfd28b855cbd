"""Turn a rule's example into a subject; the tests and `explain` use the same."""

from __future__ import annotations

from dataclasses import replace

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.formats.view import View
from imgaudit.layout.load import parse
from imgaudit.release.dumps import dump_of, held_against_build, held_against_manifest
from imgaudit.release.manifest import parse as parse_manifest
from imgaudit.rules.engine import Example
from imgaudit.rules.subject import Subject, gather


def subject_of(example: Example) -> Subject:
    """Read an example as the real thing is read.

    Raises:
        LayoutError: the example's layout is wrong (a mistake in the program).

    """
    with Loader() as loader:
        layout = parse(example.layout.encode(), "example.yaml")
        olds = {"": MemoryStore({**example.files, **example.old}, loader)} if example.old else {}
        subject = gather(layout, MemoryStore(example.files, loader), olds)
    dumps = {
        chip: dump_of(name, View.of(example.files[name]())) for chip, name in example.dumps.items()
    }
    if example.manifest is None:
        return held_against_build(subject, layout, dumps) if dumps else subject
    manifest = parse_manifest(example.files[example.manifest](), example.manifest)
    subject = replace(subject, manifest=manifest)
    return held_against_manifest(subject, layout, dumps, manifest) if dumps else subject
