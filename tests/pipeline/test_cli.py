"""The command as a user meets it: what it prints, with which exit code, and never a traceback."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline import cli, screening
from pipeline.report.wording import percent
from pipeline.store import read_result
from tests.pipeline.conftest import CUE_COLOURS
from tests.pipeline.examples import write_photo

Run = Callable[..., SimpleNamespace]


@pytest.fixture
def maskline(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command in this process: exit code, standard output, standard error."""

    def run(*arguments: object) -> SimpleNamespace:
        monkeypatch.setattr(sys, "argv", ["maskline", *(str(argument) for argument in arguments)])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
            sys.exit(0)
        printed = capsys.readouterr()
        return SimpleNamespace(code=stopped.value.code or 0, out=printed.out, err=printed.err)

    return run


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    write_photo(tmp_path / "batch" / "pellock-1" / "a.jpg", 1)
    write_photo(tmp_path / "batch" / "brindle-2" / "b.jpg", 2, CUE_COLOURS["painted_fastener"])
    return tmp_path / "batch"


def test_screen_says_what_it_did_and_where_the_report_is(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    out = tmp_path / "out"
    done = maskline("screen", batch, "--out", out, "--weights", tiny_network, "--threads", 1)
    assert done.code == 0 and done.err == ""
    assert done.out.splitlines() == [
        "Screened 2 adverts with 2 photos.",
        f"Report: {out / 'report' / 'index.html'}",
        "Set aside: 0 files.",
    ]
    assert (out / "report" / "index.html").is_file()
    again = maskline("screen", batch, "--out", out, "--weights", tiny_network)
    assert again.out.splitlines()[0] == "Screened 2 adverts with 2 photos, 2 of them from an earlier run."


def test_photos_set_aside_are_counted_last_and_strict_makes_them_a_failure(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    (batch / "pellock-1" / "bad.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut short")
    out = tmp_path / "out"
    arguments = ("screen", batch, "--out", out, "--weights", tiny_network)
    done = maskline(*arguments)
    assert done.code == 0
    assert done.out.splitlines()[-1] == f"Set aside: 1 file, listed with reasons in {out / 'set_aside.csv'}."
    assert maskline(*arguments, "--strict").code == 1


def test_nothing_but_bad_photos_exits_with_1(maskline: Run, tmp_path: Path, tiny_network: Path) -> None:
    (tmp_path / "batch" / "a").mkdir(parents=True)
    (tmp_path / "batch" / "a" / "bad.jpg").write_bytes(b"")
    done = maskline("screen", tmp_path / "batch", "--out", tmp_path / "out", "--weights", tiny_network)
    assert done.code == 1
    assert done.out.splitlines()[0] == "Screened 1 advert with 0 photos."


def test_what_cannot_be_done_is_one_sentence_and_exit_code_1(maskline: Run, batch: Path, tmp_path: Path) -> None:
    done = maskline("screen", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert (done.code, done.out) == (1, "")
    assert done.err == f"{tmp_path / 'nowhere'}: there is no such folder or file; check the name.\n"
    done = maskline("screen", batch, "--out", tmp_path / "out", "--weights", tmp_path)
    assert done.code == 1 and len(done.err.splitlines()) == 1


def test_a_wrong_paint_table_and_missing_references_are_one_sentence(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    table, arguments = tmp_path / "paints.csv", ("screen", batch, "--out", tmp_path / "out", "--weights", tiny_network)
    table.write_text("code,name,L,a,b,from_year,to_year,families\nOW 103,Chalk White,white,0,0,,,\n", encoding="utf-8")
    done = maskline(*arguments, "--paints", table)
    assert done.code == 1 and done.err.startswith(f"{table}, line 2: L is 'white'; give a number")
    done = maskline(*arguments, "--references", tmp_path / "nowhere")
    assert done.code == 1 and done.err.startswith(f"{tmp_path / 'nowhere'}: there is no such folder; name the folder")
    assert not (tmp_path / "out").exists()
    table.write_text("code,name,L,a,b,from_year,to_year,families\nOW 103,Chalk White,90,0,0,,,\n", encoding="utf-8")
    assert maskline(*arguments, "--paints", table).code == 0


def test_wrong_usage_exits_with_2(maskline: Run, batch: Path, tmp_path: Path) -> None:
    inside = maskline("screen", batch, "--out", batch / "out")
    assert inside.code == 2
    assert inside.err == (
        f"{batch / 'out'}: the outputs would lie inside the batch, which is never changed; choose an --out beside it.\n"
    )
    assert not (batch / "out").exists()
    missing = maskline("screen", batch)
    assert missing.code == 2 and "--out" in missing.err
    assert maskline("screen", batch, "--out", tmp_path / "out", "--threads", 0).code == 2
    assert maskline("scan").code == 2


def test_ctrl_c_says_that_nothing_is_lost(
    maskline: Run, batch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(screening, "screen", stopped)
    done = maskline("screen", batch, "--out", tmp_path / "out")
    assert done.code == 130
    assert done.err == "Stopped; finished photos are kept, and the same command goes on from there.\n"


def test_a_disk_error_nobody_foresaw_is_still_one_sentence(
    maskline: Run, batch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "findings.jsonl")

    monkeypatch.setattr(screening, "screen", full)
    done = maskline("screen", batch, "--out", tmp_path / "out")
    assert done.code == 1
    assert done.err == "findings.jsonl: No space left on device; check free space and permissions.\n"


def test_demo_screens_the_adverts_that_come_along(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "synthetic_data" / "demo").mkdir(parents=True)
    batch.rename(tmp_path / "synthetic_data" / "demo" / "adverts")
    monkeypatch.setattr(cli, "files", lambda package: tmp_path / package)
    monkeypatch.setattr(screening, "shipped_weights", lambda: tiny_network)
    monkeypatch.chdir(tmp_path)
    done = maskline("demo")
    assert (done.code, done.out.splitlines()[1]) == (0, "Report: maskline-demo/report/index.html")
    assert (tmp_path / "maskline-demo" / "report" / "index.html").is_file()


def test_schema_prints_the_versioned_contracts(maskline: Run) -> None:
    done = maskline("schema")
    content = json.loads(done.out)
    assert content["schema_version"] == 1
    assert set(content["files"]) == {"shortlist.json", "findings.jsonl", "set_aside.csv", "advert.yaml"}


def test_ask_prints_what_to_send_to_the_seller(maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    out = tmp_path / "out"
    maskline("screen", batch, "--out", out, "--weights", tiny_network)
    asked = maskline("ask", out, "pellock-1")
    assert asked.code == 0 and asked.err == "" and "\n1. " in asked.out
    assert maskline("ask", out, "pellock-1", "--language", "de").out != asked.out
    unknown = maskline("ask", out, "pellock-1", "--language", "tlh")
    assert unknown.code == 1 and unknown.err.startswith("tlh: there is no catalogue of messages in this language; use")
    assert maskline("ask", out, "nobody").code == 2


def test_viewing_writes_a_sheet_that_stands_alone(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    out = tmp_path / "out"
    maskline("screen", batch, "--out", out, "--weights", tiny_network)
    done = maskline("viewing", out, "pellock-1")
    sheet = out / "viewing" / "advert-pellock-1.html"
    assert (done.code, done.out) == (0, f"Sheet: {sheet}\n")
    assert "held only by a jack" in sheet.read_text(encoding="utf-8")
    assert maskline("viewing", out, "nobody").code == 2


def test_viewing_writes_a_statement_for_the_file(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    out = tmp_path / "out"
    screening.screen(batch, out, weights=tiny_network, threads=1)
    done = maskline("viewing", out, "brindle-2", "--statement")
    page = out / "viewing" / "advert-brindle-2.statement.html"
    assert (done.code, done.out) == (0, f"Statement: {page}\n")
    html = page.read_text(encoding="utf-8")
    assert "brindle-2" in html and "the network &#39;tiny&#39;" in html and "What this statement is not" in html
    assert maskline("viewing", out, "nobody", "--statement").code == 2


def test_viewing_writes_a_shot_list_without_a_screening(
    maskline: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = maskline("viewing", "--shot-list", "torrick")
    assert (done.code, done.out) == (0, "Shot list: shot-list-torrick.html\n")
    assert "Shot list: Ostrelle Torrick" in (tmp_path / "shot-list-torrick.html").read_text(encoding="utf-8")
    wrong = maskline("viewing", "--shot-list", "heron")
    assert wrong.code == 1 and "there is no build sheet 'heron'" in wrong.err
    assert maskline("viewing", tmp_path, "--shot-list", "torrick").code == 2
    assert maskline("viewing").code == 2
    assert maskline("viewing", tmp_path).code == 2


def test_readings_are_judged_and_enter_the_outputs(
    maskline: Run, batch: Path, tmp_path: Path, tiny_network: Path
) -> None:
    out, file = tmp_path / "out", tmp_path / "readings.csv"
    maskline("screen", batch, "--out", out, "--weights", tiny_network)
    before = read_result(out, "pellock-1").refinished
    lines = [f"bonnet,{value}" for value in (410, 395, 420, 402, 388)]
    file.write_text("\n".join(["panel,reading_um", *lines]), encoding="utf-8")
    done = maskline("readings", out, "pellock-1", file)
    assert done.code == 0 and done.err == ""
    first, last = done.out.splitlines()
    assert first.startswith("Bonnet: 402 ± ") and "µm, thicker than the factory's" in first
    result = read_result(out, "pellock-1")
    after = result.refinished
    assert after > before
    assert last.endswith(f"{percent(after)} for a refinish, rank {result.rank}.")
    assert "at the vehicle" in (out / "report" / "advert-pellock-1.html").read_text(encoding="utf-8")

    maskline("screen", batch, "--out", out, "--weights", tiny_network)
    assert read_result(out, "pellock-1").refinished == after  # a later screening keeps them

    file.write_text("panel,reading_um\nbonet,120\n", encoding="utf-8")
    wrong = maskline("readings", out, "pellock-1", file)
    assert wrong.code == 1 and wrong.err.startswith(f"{file}, line 2: ")
    assert maskline("readings", tmp_path / "elsewhere", "pellock-1", file).code == 2
    assert not (tmp_path / "elsewhere").exists()


def test_sheet_check_names_the_line_that_is_wrong(maskline: Run, tmp_path: Path) -> None:
    assert maskline("sheet", "check", "generic_utility").out.startswith("generic_utility: '")
    wrong = tmp_path / "mine.yaml"
    wrong.write_text("label: Mine\nrefines: generic_utility\nfilm: [80, 180]\n", encoding="utf-8")
    done = maskline("sheet", "check", wrong)
    assert done.code == 1
    assert done.err.startswith(f"{wrong}, line 3: film: ")


@pytest.mark.parametrize(("command", "module"), [("model", "models.cli"), ("data", "pipeline.data_group")])
def test_a_missing_extra_names_the_command_that_installs_it(
    maskline: Run, monkeypatch: pytest.MonkeyPatch, command: str, module: str
) -> None:
    def missing(name: str) -> None:
        assert name == module
        raise ModuleNotFoundError("No module named 'torch'", name="torch")

    monkeypatch.setattr(cli, "importlib", SimpleNamespace(import_module=missing))
    done = maskline(command, "--help")
    assert done.code == 1
    fault, remedy = "the package 'torch' is not installed", "run in maskline's source folder: pip install '.[train]'"
    assert done.err == f"maskline {command}: {fault}; {remedy}.\n"


def test_a_group_gets_the_rest_of_the_command_line(maskline: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, object] = {}

    def app(arguments: list[str], prog_name: str) -> None:
        seen.update(arguments=arguments, name=prog_name)

    monkeypatch.setattr(cli, "importlib", SimpleNamespace(import_module=lambda name: SimpleNamespace(app=app)))
    assert maskline("model", "train", "--data", "SET", "--help").code == 0
    assert seen == {"arguments": ["train", "--data", "SET", "--help"], "name": "maskline model"}


def test_the_bar_is_only_for_terminals(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    """The command as installed, in a process of its own, with its output going to a pipe."""
    command = shutil.which("maskline", path=Path(sys.executable).parent)
    assert command is not None
    done = subprocess.run(
        [command, "screen", batch, "--out", tmp_path / "out", "--weights", tiny_network],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "Set aside: 0 files."
