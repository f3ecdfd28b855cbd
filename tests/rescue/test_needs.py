from __future__ import annotations

import pytest

from imgaudit.rescue.needs import BY_NAME, DEFAULT, GROUPS, WEAK_APPLETS, Group
from imgaudit.rescue.survey import groups_named


def test_names_are_unique_and_the_defaults_exist() -> None:
    assert len(BY_NAME) == len(GROUPS)
    assert set(DEFAULT) <= BY_NAME.keys()
    assert len(set(DEFAULT)) == len(DEFAULT)


@pytest.mark.parametrize("group", GROUPS, ids=lambda group: group.name)
def test_a_group_hangs_together(group: Group) -> None:
    assert group.why.endswith(".")
    assert group.needs
    for need in group.needs:
        assert need.alternatives
        assert all(tools and all(tools) for tools in need.alternatives)
    for support in group.support:
        assert support.why
        assert all(path.startswith("/") for path in support.paths)
    for option in group.kernel:
        assert not option.symbol.startswith("CONFIG_")
        assert set(option.tools) & {*group.tools, "mount", "mkfs.ext2", "mkfs.ext3"}


def test_weak_applets_are_tools_of_a_need() -> None:
    named = {tool for group in GROUPS for tool in group.tools}
    assert WEAK_APPLETS.keys() - named == {"mkfs.ext2"}


def test_groups_by_name() -> None:
    assert [group.name for group in groups_named(["flash", "shell"])] == ["flash", "shell"]
    with pytest.raises(ValueError, match="no group is called coffee, tea"):
        groups_named(["tea", "shell", "coffee"])
