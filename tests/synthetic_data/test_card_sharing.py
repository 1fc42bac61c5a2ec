"""The service that lets processes share a card, against a stand-in for NVIDIA's control programme."""

import os
from pathlib import Path

import pytest

from synthetic_data import card_sharing
from synthetic_data.card_sharing import CONTROL, LOG, PIPE, shared_cards


@pytest.fixture
def told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A control programme that writes down how it was called; its path's folder comes first."""
    record = tmp_path / "told.txt"
    programme = tmp_path / CONTROL
    programme.write_text(f'#!/bin/sh\necho "$* ${PIPE} $(cat)" >> {record}\n')
    programme.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.delenv(PIPE, raising=False)
    return record


def test_children_find_the_service_while_it_runs_and_it_is_told_to_end(
    told: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(card_sharing, "PROBE", f"import os; assert os.path.isdir(os.environ['{LOG}'])")
    with shared_cards() as works:
        assert works
        folder = os.environ[PIPE]
        assert Path(folder).is_dir()
    assert PIPE not in os.environ
    assert LOG not in os.environ
    assert not Path(folder).exists()
    assert told.read_text().split() == ["-d", folder, folder, "quit"]


def test_the_users_own_place_for_logs_comes_back(told: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(card_sharing, "PROBE", "pass")
    monkeypatch.setenv(LOG, "mine")
    with shared_cards():
        assert os.environ[LOG] != "mine"
    assert os.environ[LOG] == "mine"


def test_a_service_that_serves_no_card_is_ended_and_not_used(told: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(card_sharing, "PROBE", "raise SystemExit(1)")
    with shared_cards() as works:
        assert not works
        assert PIPE not in os.environ
    assert told.read_text().split()[-1] == "quit"


def test_the_users_own_service_is_left_alone(told: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PIPE, "mine")
    with shared_cards() as works:
        assert works
        assert os.environ[PIPE] == "mine"
    assert os.environ[PIPE] == "mine"
    assert not told.exists()


def test_without_the_programme_nothing_happens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv(PIPE, raising=False)
    with shared_cards() as works:
        assert not works
        assert PIPE not in os.environ
