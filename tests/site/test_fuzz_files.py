"""Spoilt files of every kind are read or refused in words (long runs: `python -m tests.fuzz`)."""

import random

import pytest

from siting.site.cells import as_number
from tests.fuzz.files import mutated, read_one, seeds
from tests.some import some

MUTANTS = 60


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    return folder, seeds(folder)


@pytest.mark.parametrize(
    "kind", ["property", "daily", "ghcn", "epw", "psm3", "tmy2", "normals", "readings"]
)
@pytest.mark.filterwarnings("ignore:invalid value encountered in cast:RuntimeWarning")
def test_spoilt_files_are_read_or_refused_in_words(kind, sound):
    folder, files = sound
    dice = random.Random(kind)
    mine = [data for of, data in files if of == kind]
    said = [
        read_one(kind, mutated(dice.choice(mine), dice), folder, dice.choice((None, kind)))
        for _ in range(MUTANTS)
    ]
    assert set(said) <= {"read", "refused"}
    assert "refused" in said


def test_sound_readings_are_read(sound):
    folder, files = sound
    for data in some(data for kind, data in files if kind == "readings"):
        assert read_one("readings", data, folder, None) == "read", data[:200]


@pytest.mark.parametrize("date", ["4052-05-02", "0001-01-01", "1899-12-31", "2200-01-01"])
@pytest.mark.parametrize(
    "log", ["date,rain_mm\n{},1\n", "start,valve,minutes\n{},V1,2\n", "time,S1 [%]\n{},1.5\n"]
)
def test_years_that_nobody_lived_in_are_refused(date, log, sound):
    folder, _ = sound
    assert read_one("readings", log.format(date).encode(), folder, None) == "refused"


def test_whole_numbers_of_a_workbook_beyond_all_bounds_are_no_numbers():
    with pytest.raises(ValueError, match="1000"):
        as_number(10**400)
    assert as_number(10**15) == (1e15, False)


def test_numbers_beyond_all_bounds_are_refused(sound):
    folder, _ = sound
    log = b"time,S1 [device]\n2026-05-01 07:00,1e999\n"
    assert read_one("readings", log, folder, None) == "refused"
