"""Another package by the name of `safety` is refused."""

import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import safety
from safety.own_room import ForeignSafety, assert_own_safety

ROOT = Path(safety.__file__ or "").resolve().parent.parent


def test_our_own_package_passes() -> None:
    assert_own_safety()


def test_a_package_from_elsewhere_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(safety, "__file__", str(tmp_path / "safety" / "__init__.py"))
    with pytest.raises(
        ForeignSafety, match=r"comes from .*, not from this station .*; allowed: polemark in an environment"
    ):
        assert_own_safety()


def test_a_safety_that_does_not_stand_beside_the_station_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    station = ModuleType("station")
    station.__file__ = str(tmp_path / "station" / "__init__.py")
    monkeypatch.setitem(sys.modules, "station", station)
    with pytest.raises(ForeignSafety, match="not from this station"):
        assert_own_safety()


def test_a_real_package_of_that_name_in_front_is_found_out(tmp_path: Path) -> None:
    foreign = tmp_path / "safety"
    foreign.mkdir()
    (foreign / "__init__.py").write_text("")
    # The worst case: it even has a module of the name that is asked for, ours in this test.
    (foreign / "own_room.py").write_bytes((ROOT / "safety" / "own_room.py").read_bytes())
    code = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(ROOT)!r}]\n"
        "import station\nfrom safety.own_room import assert_own_safety\nassert_own_safety()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode != 0
    assert "ForeignSafety" in done.stderr
    assert str(foreign) in done.stderr
