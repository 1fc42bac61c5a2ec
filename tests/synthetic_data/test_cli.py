from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import yaml
from typer.testing import CliRunner

from pipeline.configuration import shipped
from pipeline.errors import ScreeningError
from synthetic_data.cli import app

pytest.importorskip("pycocotools")
pytest.importorskip("pandas")
pytest.importorskip("mitsuba")


@pytest.fixture(scope="module")
def config_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    content = yaml.safe_load(shipped("synthesis", "dataset.yaml").read_text(encoding="utf-8"))
    content |= {
        "maker": "tests.synthetic_data.fake_adverts",
        "cpu_variant": "scalar_rgb",  # needs no compiler
        "shares": {"val": 0.25, "test": 0.25},
    }
    path = tmp_path_factory.mktemp("config") / "dataset.yaml"
    path.write_text(yaml.safe_dump(content), encoding="utf-8")
    return path


def synth(out: Path, config_file: Path, adverts: int = 12) -> list[str]:
    numbers = ["--adverts", str(adverts), "--seed", "3", "--processes", "1", "--gpus", "0"]
    return ["synth", *numbers, "--out", str(out), "--config", str(config_file)]


def test_synth_and_check(tmp_path: Path, config_file: Path) -> None:
    out = tmp_path / "set"
    made = CliRunner().invoke(app, synth(out, config_file))
    assert made.exit_code == 0, made.output
    assert f"36 photos of 12 adverts in {out}." in made.stdout
    checked = CliRunner().invoke(app, ["check", str(out)])
    assert checked.exit_code == 0, checked.output
    assert "0 problems in 36 photos" in checked.stdout
    page = (out / "contact_sheet" / "index.html").read_text(encoding="utf-8")
    for picture in ("painted_fastener_present.jpg", "painted_fastener_hard_negatives.jpg", "close_up.jpg"):
        assert picture in page and (out / "contact_sheet" / picture).stat().st_size > 1000

    (out / "images" / "a00000_00.jpg").unlink()
    spoilt = CliRunner().invoke(app, ["check", str(out), "--sheet", str(tmp_path / "sheet")])
    assert spoilt.exit_code == 1
    assert "images/a00000_00.jpg: it is missing or cannot be decoded." in spoilt.stdout
    assert (tmp_path / "sheet" / "index.html").exists()


def test_failed_adverts_are_told(tmp_path: Path, config_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAKE_FAULT", "1")
    result = CliRunner().invoke(app, synth(tmp_path / "set", config_file, adverts=2))
    assert result.exit_code == 0
    assert "advert 1: RuntimeError: the paint ran out" in result.stderr
    assert "3 photos of 1 adverts" in result.stdout and "1 adverts failed and are left out" in result.stdout


def test_a_missing_folder_is_one_sentence(tmp_path: Path, config_file: Path) -> None:
    arguments = [*synth(tmp_path / "set", config_file), "--panoramas", str(tmp_path / "nowhere")]
    result = CliRunner().invoke(app, arguments)
    assert isinstance(result.exception, ScreeningError)
    assert str(result.exception).endswith("nowhere: it is not a folder; name a folder with --panoramas.")


@pytest.mark.parametrize(("cards", "variant"), [(0, "llvm_ad_rgb"), (2, "cuda_ad_rgb")])
def test_demo_renders_on_what_the_machine_has(
    cards: int, variant: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[object] = []

    def write_demo(out: Path, variant: str, progress: Callable[[str], None]) -> int:
        steps.append((out, variant))
        progress("01-mill-lane")
        return 5

    monkeypatch.setattr("synthetic_data.cli.graphics_cards", lambda: cards)
    monkeypatch.setattr("synthetic_data.cli.prepare_llvm", lambda: steps.append("LLVM named"))
    monkeypatch.setattr("synthetic_data.demo_batch.write_demo", write_demo)
    result = CliRunner().invoke(app, ["demo", "--out", str(tmp_path / "demo")])
    assert result.exit_code == 0, result.output
    assert steps == [*([] if cards else ["LLVM named"]), (tmp_path / "demo", variant)]
    assert f"5 photos of 12 adverts in {tmp_path / 'demo'}." in result.stdout


def test_demo_wants_a_folder(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    result = CliRunner().invoke(app, ["demo", "--out", str(tmp_path / "file")])
    assert isinstance(result.exception, ScreeningError)
    assert str(result.exception).endswith("file: it is not a folder; name a folder with --out.")


def test_wrong_usage_exits_with_two(tmp_path: Path) -> None:
    assert CliRunner().invoke(app, ["synth", "--adverts", "0", "--seed", "1", "--out", str(tmp_path)]).exit_code == 2
