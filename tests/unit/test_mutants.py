"""The table of hand-written faults fits the tree, and the script that applies them tells the truth."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from support import mutation
from support.mutation import ROOT, Copy, Mutant, Verdict, batches_of, load, misplaced

pytestmark = pytest.mark.skipif(
    not (ROOT / "driver").is_dir(), reason="the package is installed; its source is not here"
)


def test_every_mutant_stands_once_in_its_file() -> None:
    mutants, _ = load()
    assert misplaced(mutants) == []
    assert len(mutants) >= 80
    assert [name for name, count in Counter(one.name for one in mutants).items() if count > 1] == []
    assert all(one.old != one.new for one in mutants)


def test_the_tests_named_are_there_and_the_parts_that_matter_have_mutants() -> None:
    mutants, tests = load()
    assert [one for batch in tests.values() for one in batch if not (ROOT / one).is_file()] == []
    parts = {one.file for one in mutants}
    for name in ("session", "setting", "looking", "truth", "comparison", "mount", "conventions", "proof", "clockset"):
        assert f"driver/{name}.py" in parts
    assert "protocols/lx_reader.py" in parts
    assert parts <= set(tests)


def test_what_no_test_can_notice_is_explained_in_the_tests_own_pages() -> None:
    text = (ROOT / "tests" / "README.md").read_text("utf-8")
    told = [one for one in load()[0] if one.unnoticed]
    assert [one.name for one in told if f"**{one.name}**" not in text] == []
    assert text.count("- **") == len(told)


def test_a_mutant_is_applied_to_the_copy_and_taken_out_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tmp_path / "tree"
    (root / "driver").mkdir(parents=True)
    (root / "driver" / "one.py").write_text("VALUE = 1\n", "utf-8")
    (root / "test_it.py").write_text(
        "import pathlib\n\ndef test_one():\n    assert 'VALUE = 1' in pathlib.Path('driver/one.py').read_text()\n"
    )
    monkeypatch.setattr(mutation, "ROOT", root)
    monkeypatch.setattr(mutation, "COPIED", ("driver", "test_it.py"))
    (tmp_path / "copy").mkdir()
    copy = Copy(tmp_path / "copy")
    noticed = copy.mutated(Mutant("a", "driver/one.py", "VALUE = 1", "VALUE = 2"), [["test_it.py"]])
    assert noticed.by == "test_it.py::test_one"
    unnoticed = copy.mutated(Mutant("b", "driver/one.py", "\n", "\n\n"), [["test_it.py"]])
    assert unnoticed.by == ""
    assert [one.read_text("utf-8") for one in (copy.folder / "driver" / "one.py", root / "driver" / "one.py")] == [
        "VALUE = 1\n"
    ] * 2


def test_a_reason_given_for_what_was_noticed_is_wrong() -> None:
    row = ("name", "driver/one.py", "a", "b")
    assert Verdict(Mutant(*row), "a test", 1.0).right
    assert not Verdict(Mutant(*row), "", 1.0).right
    assert Verdict(Mutant(*row, unnoticed="because"), "", 1.0).right
    assert not Verdict(Mutant(*row, unnoticed="because"), "a test", 1.0).right


def test_the_tests_of_the_changed_file_come_first() -> None:
    tests = {"broad": ["a", "b"], "driver/one.py": ["b"]}
    mutant = Mutant("name", "driver/one.py", "a", "b")
    assert batches_of(mutant, tests, quick=False) == [["b"], ["a"]]
    assert batches_of(mutant, tests, quick=True) == [["b"]]
