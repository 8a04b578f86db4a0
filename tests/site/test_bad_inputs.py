"""Every bad input of the corpus is refused with the right words or repaired with a warning."""

import pytest

from siting.errors import InputError
from tests.bad_inputs.base import Case, each_fault, outcome_of, quiet_warnings, run
from tests.bad_inputs.corpus import CASES, GROUPS
from tests.bad_inputs.table import PAGE, frame, row, without_rows

PAGE_LINES = frozenset(PAGE.read_text(encoding="utf-8").splitlines())


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    """Return what is said of the sound property; none of it counts as a repair."""
    return quiet_warnings(tmp_path_factory.mktemp("sound"))


@pytest.mark.parametrize("one", CASES, ids=lambda c: c.title)
def test_case(one: Case, usual):
    outcome = outcome_of(one)
    said = [w for w in outcome.warnings if w not in usual]
    told = row(one, outcome, usual)
    assert told in PAGE_LINES, f"run python -m tests.bad_inputs: {told}"
    if one.refused:
        assert outcome.error is not None, f"accepted in silence; warnings: {said}"
        message = str(outcome.error)
        missing = [word for word in one.refused if word not in message]
        assert not missing, f"{missing} not in: {message}"
        for fault in each_fault(outcome):
            assert all((fault.file, fault.found, fault.allowed, fault.mend)), fault
            assert len(str(fault)) < 1500, "a message nobody reads"
        for part in one.says:
            assert any(getattr(f, part) for f in each_fault(outcome)), f"no {part}: {message}"
        return
    assert outcome.error is None, str(outcome.error)
    text = "\n".join(said)
    missing = [word for word in one.repaired if word not in text]
    assert not missing, f"{missing} not in: {text or 'nothing'}"
    if one.check:
        assert one.check(outcome.site)
    assert one.repaired or one.check, "a case that cannot fail"


def test_corpus_is_as_large_as_it_says():
    assert len(CASES) >= 120
    assert {c.group for c in CASES} == set(GROUPS)
    assert len({c.title for c in CASES}) == len(CASES)


def test_sound_property_is_sound(usual):
    # What is left to say about it is not about repairs.
    assert not [w for w in usual if "repaired" in w or "dropped" in w]


def test_faults_of_all_files_come_at_once(tmp_path):
    def spoil(draft):
        draft.put("hydrozones", "plants", "schrubs", "trees")
        draft.put("buildings", "height", "30 ft")
        draft.layers["trees"] = draft.layers["trees"].set_crs(None, allow_override=True)
        draft.weather["tmin_c"] += 100.0
        draft.swap("price = 2.0", "price = -2.0")

    outcome = run(Case("", "", spoil), tmp_path)
    assert isinstance(outcome.error, InputError)
    message = str(outcome.error)
    for word in ("schrubs", "30 ft", "no coordinate reference", "price"):
        assert word in message, message


def test_page_tells_these_cases_and_limits():
    """What happens in each stands in `test_case`."""
    assert without_rows(PAGE.read_text(encoding="utf-8")) == frame(), (
        "run python -m tests.bad_inputs"
    )
