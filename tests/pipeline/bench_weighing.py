"""How well adverts are told apart: `python -m tests.pipeline.bench_weighing OUT HISTORIES.parquet`.

OUT holds findings.jsonl (one file, or several below it) of adverts whose true history is known, as a screening of
synthetic adverts writes it. HISTORIES is a table (.csv or .parquet) with the columns `advert` and `history`, and
`build_sheet` or `family`; it may have several rows an advert, so the images.parquet of a synthetic set will do.
To screen a set, write a batch for it (adverts there have no folders of their own):

    table = pandas.read_parquet("SET/images.parquet")
    batch = pandas.DataFrame({"advert": table.advert, "photo": "images/" + table.file})
    batch.to_csv("SET/batch.csv", index=False)      # then: maskline screen SET/batch.csv --out OUT

Adverts are weighed twice: with the prior of configs/weighing.yaml, and with the set's own shares of histories as the
prior, since a posterior can only come true where its prior does. Prints JSON:

- `auroc`: P(refinished) as a score for refinished against factory paint (scikit-learn)
- `ece`: expected calibration error of P(refinished), 10 bins of equal width, L1 (torchmetrics), and beside it what a
  perfectly calibrated posterior would show on as few adverts
- `top_two`: share of adverts whose true history is among the two most probable
- each with a 95 % percentile interval from resampling adverts (Efron and Tibshirani 1993, chapter 13)

`--simulate N` takes no files and simulates N adverts instead (`tests.pipeline.simulated`), a check of the weighing
against itself; `--labels SET` lets a simulated network find what a synthetic set's labels say, and `--unrendered N`
what the generator's painters leave in view in N adverts (`tests.pipeline.unrendered`, 2 to 5 s each on a core), a check
of the weighing against the generator. None is a measurement of the network. `sign_in_view` is the share of refinished
adverts, and of factory ones, in whose photos a cue lies that a factory's paint does not show: no weighing of small
signs can tell the others apart, so the AUROC of one that made no mistake would be `auroc_within_reach`.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import torch
import typer
from sklearn.metrics import roc_auc_score
from torchmetrics.functional.classification import binary_calibration_error

from pipeline.build_sheets import GENERIC, BuildSheet, read_build_sheet
from pipeline.colour import measure_advert
from pipeline.evidence import weigh
from pipeline.histories import WeighingSettings
from pipeline.network import MANIFEST, Manifest, shipped_weights
from pipeline.records import HISTORIES, AdvertDetails, CueRates, PhotoFindings
from synthetic_data.adverts import LABELLED_CUES, advert_settings
from tests.pipeline.simulated import SimulatedNetwork, network_on_labels, simulate

BINS = 10
OF_A_FACTORY = ("painted_fastener", "film_defect")  # cues that the factory's paint shows too
SHEETS = ("build_sheet", "family")  # columns that name a vehicle's build sheet, the first that is there


@dataclass(frozen=True, slots=True)
class Case:
    """One advert whose history is known."""

    history: str
    sheet: str
    findings: tuple[PhotoFindings, ...]


@dataclass(frozen=True)
class Weighed:
    """What the weighing says of N adverts: `posterior` (N, 6) in the order of HISTORIES; `truth` (N,), places in it."""

    posterior: npt.NDArray[np.float64]
    truth: npt.NDArray[np.intp]
    decisions: tuple[str, ...]

    @property
    def refinished(self) -> npt.NDArray[np.float64]:
        return 1 - self.posterior[:, 0]

    @property
    def is_refinished(self) -> npt.NDArray[np.bool_]:
        return self.truth > 0


def read_findings(out: Path) -> dict[str, list[PhotoFindings]]:
    """Findings by advert, from one file or all below a folder."""
    findings: dict[str, list[PhotoFindings]] = {}
    for file in [out] if out.is_file() else sorted(out.rglob("findings.jsonl")):
        for line in file.read_text(encoding="utf-8").splitlines():
            photo = PhotoFindings.model_validate_json(line)
            findings.setdefault(photo.advert, []).append(photo)
    return findings


def join(findings: Mapping[str, list[PhotoFindings]], histories: Path) -> list[Case]:
    """The adverts that stand in both; every other one is told. Raises ValueError where an advert has two histories."""
    table = pd.read_parquet(histories) if histories.suffix == ".parquet" else pd.read_csv(histories)
    sheet = next((column for column in SHEETS if column in table), None)
    known = table[["advert", "history", *([sheet] if sheet else [])]].drop_duplicates().set_index("advert")
    if not known.index.is_unique:
        raise ValueError(f"{histories}: {known.index[known.index.duplicated()][0]} has more than one history")
    for name, adverts in (
        ("findings", set(known.index) - set(findings)),
        ("history", set(findings) - set(known.index)),
    ):
        if adverts:
            typer.echo(f"{len(adverts)} adverts without {name} are left out, such as {min(adverts)}.", err=True)
    return [
        Case(known.history[advert], known[sheet][advert] if sheet else GENERIC, tuple(found))
        for advert, found in sorted(findings.items())
        if advert in known.index
    ]


def weigh_all(cases: list[Case], rates: Mapping[str, CueRates], settings: WeighingSettings) -> Weighed:
    """Weigh every advert as a screening does, with its colour over all photos, but without papers or a paint table."""
    sheets: dict[str, BuildSheet] = {name: read_build_sheet(name) for name in {case.sheet for case in cases}}
    verdicts = []
    for case in cases:
        sheet = sheets[case.sheet]
        details = AdvertDetails(build_sheet=case.sheet)
        colour = measure_advert(details, case.findings, paints=(), references=(), family=sheet.family)
        verdicts.append(weigh(case.findings, sheet, rates, settings, colour.measures))
    return Weighed(
        np.array([[verdict.history[history] for history in HISTORIES] for verdict in verdicts]),
        np.array([HISTORIES.index(case.history) for case in cases]),
        tuple(verdict.decision for verdict in verdicts),
    )


def auroc(weighed: Weighed, rows: npt.NDArray[np.intp]) -> float:
    truth = weighed.is_refinished[rows]
    return float(roc_auc_score(truth, weighed.refinished[rows])) if 0 < truth.sum() < len(truth) else float("nan")


def ece(weighed: Weighed, rows: npt.NDArray[np.intp]) -> float:
    return calibration_error(weighed.refinished[rows], weighed.is_refinished[rows])


def calibration_error(chances: npt.NDArray[np.float64], truth: npt.NDArray[np.bool_]) -> float:
    clipped = torch.from_numpy(np.clip(chances, 0, 1))
    return float(binary_calibration_error(clipped, torch.from_numpy(truth.astype(np.int64)), n_bins=BINS, norm="l1"))


def top_two(weighed: Weighed, rows: npt.NDArray[np.intp]) -> float:
    best = np.argsort(-weighed.posterior[rows], axis=1)[:, :2]
    return float((best == weighed.truth[rows, None]).any(axis=1).mean())


def scores(weighed: Weighed, resamples: int, seed: int) -> dict[str, Any]:
    """Each score with its interval, and what lies behind them."""
    rng = np.random.default_rng(seed)
    count = len(weighed.truth)
    draws = rng.integers(count, size=(resamples, count))
    measures: dict[str, Callable[[Weighed, npt.NDArray[np.intp]], float]] = {
        "auroc": auroc, "ece": ece, "top_two": top_two,
    }  # fmt: skip
    result: dict[str, Any] = {"adverts": count}
    for name, measure in measures.items():
        low, high = np.nanpercentile([measure(weighed, rows) for rows in draws], [2.5, 97.5])
        result[name] = [round(float(x), 4) for x in (low, measure(weighed, np.arange(count)), high)]
    perfect = [calibration_error(weighed.refinished, rng.random(count) < weighed.refinished) for _ in range(resamples)]
    result["ece_if_calibrated"] = [round(float(x), 4) for x in np.percentile(perfect, [2.5, 50, 97.5])]
    edges = np.clip((weighed.refinished * BINS).astype(int), 0, BINS - 1)
    result["bins"] = {
        f"{k / BINS:.1f}": [int((edges == k).sum()), *(round(float(x[edges == k].mean()), 3) for x in
                            (weighed.refinished, weighed.is_refinished))]
        for k in range(BINS) if (edges == k).any()
    }  # fmt: skip
    result["histories"] = {
        history: {
            "adverts": int((weighed.truth == k).sum()),
            "mean_refinished": round(float(weighed.refinished[weighed.truth == k].mean()), 3),
            "top_two": round(top_two(weighed, np.flatnonzero(weighed.truth == k)), 3),
            "decisions": dict(Counter(np.array(weighed.decisions)[weighed.truth == k].tolist())),
        }
        for k, history in enumerate(HISTORIES)
        if (weighed.truth == k).any()
    }
    return result


def within_reach(adverts: list[tuple[str, bool]]) -> dict[str, Any]:
    """How often a telling sign is in view, by (history, is one), and the AUROC of a weighing that knew just that."""
    signs = {
        name: [sign for history, sign in adverts if (history != "factory") == refinished]
        for name, refinished in (("factory", False), ("refinished", True))
    }
    shares = {name: float(np.mean(seen)) for name, seen in signs.items()}
    auroc_within_reach = 0.5 + (shares["refinished"] - shares["factory"]) / 2
    return {"sign_in_view": shares, "auroc_within_reach": round(auroc_within_reach, 3)}


def main(
    out: Annotated[Path | None, typer.Argument(help="Folder with findings.jsonl, or the file.")] = None,
    histories: Annotated[Path | None, typer.Argument(help="Table of true histories.")] = None,
    weights: Annotated[Path | None, typer.Option(help="Folder of the network whose rates count.")] = None,
    simulated: Annotated[int, typer.Option("--simulate", min=0, help="Simulate so many adverts instead.")] = 0,
    unrendered: Annotated[int, typer.Option(min=0, help="Let the generator's painters make so many adverts.")] = 0,
    labels: Annotated[Path | None, typer.Option(help="Synthetic set whose labels a simulated network finds.")] = None,
    sheet: Annotated[str, typer.Option(help="Build sheet of the simulated adverts.")] = "torrick",
    sensitivity: float = 0.85,
    false_alarm: float = 0.02,
    resamples: int = 1000,
    seed: int = 1,
) -> None:
    settings = WeighingSettings.shipped()
    report: dict[str, Any] = {"simulated": bool(simulated or labels or unrendered)}
    if unrendered:
        import mitsuba  # here: it needs the extra `train`

        mitsuba.set_variant("llvm_ad_rgb")
        from tests.pipeline.unrendered import adverts

        network = SimulatedNetwork(LABELLED_CUES, sensitivity, false_alarm)
        made = list(adverts(unrendered, seed, advert_settings(), network))
        cases, rates = [Case(one.history, one.family, one.findings) for one in made], network.rates()
        report |= within_reach([(one.history, bool(one.in_view - set(OF_A_FACTORY))) for one in made])
    elif simulated:
        network = SimulatedNetwork(LABELLED_CUES, sensitivity, false_alarm)
        drawn = simulate(simulated, read_build_sheet(sheet), settings, network, advert_settings().histories, seed)
        cases, rates = [Case(history, sheet, tuple(found)) for history, found in drawn], network.rates()
    elif labels:
        network = SimulatedNetwork(LABELLED_CUES, sensitivity, false_alarm)
        findings: dict[str, list[PhotoFindings]] = {}
        for photo in network_on_labels(labels, network, seed):
            findings.setdefault(photo.advert, []).append(photo)
        cases, rates = join(findings, labels / "images.parquet"), network.rates()
    elif out and histories:
        manifest = Manifest.model_validate_json(((weights or shipped_weights()) / MANIFEST).read_bytes())
        cases, rates = join(read_findings(out), histories), manifest.rates
    else:
        raise typer.BadParameter("give the findings and the true histories, or --simulate, --unrendered or --labels")
    counts = Counter(case.history for case in cases)
    shares = {history: max(counts[history], 0.5) / len(cases) for history in HISTORIES}
    as_drawn = {history: share / sum(shares.values()) for history, share in shares.items()}
    for name, prior in (("prior_assumed", settings.prior), ("prior_as_drawn", as_drawn)):
        weighed = weigh_all(cases, rates, settings.model_copy(update={"prior": prior}))
        report[name] = scores(weighed, resamples, seed)
    typer.echo(json.dumps(report, indent=1))


if __name__ == "__main__":
    typer.run(main)
