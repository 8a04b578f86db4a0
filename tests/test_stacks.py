"""What stands still says where."""

import sys
import textwrap

import pytest

from tests.stacks import output, processes, start

FORGOTTEN = textwrap.dedent(
    """
    import subprocess, sys, time

    def waits_for_nothing():
        time.sleep(600)

    if sys.argv[1:]:
        waits_for_nothing()
    child = subprocess.Popen([sys.executable, __file__, "child"])
    print("started", flush=True)
    """
)


def test_a_command_that_leaves_a_process_behind_fails_with_its_stack(tmp_path):
    """The command itself has ended; its child holds the output open, as a lost worker would."""
    program = tmp_path / "forgotten.py"
    program.write_text(FORGOTTEN, "utf-8")
    run = start([sys.executable, program])
    with pytest.raises(pytest.fail.Exception) as told:
        output(run, seconds=5)
    assert "no end within 5 s" in str(told.value)
    assert "forgotten.py child" in str(told.value)
    assert "in waits_for_nothing" in str(told.value)
    assert processes(run) == []


def test_a_command_that_ends_gives_its_output():
    assert output(start([sys.executable, "-c", "print(42)"]), seconds=60) == "42\n"
