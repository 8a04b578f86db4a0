"""Random whole properties: a plan or a refusal in words, never a traceback."""

from hypothesis import HealthCheck, given

from tests.fuzz.runs import check_draft
from tests.fuzz.strategies import dirty_properties, sound_properties
from tests.tries import tries

_few = tries(12, suppress_health_check=list(HealthCheck))
_fewest = tries(2, suppress_health_check=list(HealthCheck))


@_few
@given(dirty_properties())
def test_dirty_properties_are_read_or_refused(draft):
    assert check_draft(draft) in {"sound", "refused", "unwritable"}


@_few
@given(sound_properties())
def test_sound_properties_are_sound(draft):
    assert check_draft(draft) == "sound"


@_fewest
@given(sound_properties())
def test_sound_properties_are_planned(draft):
    assert check_draft(draft, planned=True) in {"planned", "no plan"}
