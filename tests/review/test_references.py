"""What review asks stages for is what they declare."""

import pytest

from panopipe.registry import loaded_stage
from panopipe.review import references
from panopipe.review.references import NoteName, SettingName
from panopipe.setting import rules

NAMES = [
    name
    for value in vars(references).values()
    for name in (value if isinstance(value, tuple) and isinstance(value[0], tuple) else (value,))
    if isinstance(name, NoteName | SettingName)
]


@pytest.mark.parametrize("name", NAMES, ids=str)
def test_the_stage_declares_it(name: NoteName | SettingName) -> None:
    stage = loaded_stage(name.stage)
    assert name[1] in (stage.notes if isinstance(name, NoteName) else rules(stage.Settings))
