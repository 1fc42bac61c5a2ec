"""What a run leaves behind: a JSON-lines log always, and MLflow where it is installed.

The log holds everything, so that a run made on a machine without MLflow can be brought into a store later.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pipeline.errors import BatchError

LOG = "log.jsonl"
EXPERIMENT = "maskline"


class Tracker:
    """Writes one run. Use as a context manager; a run that ends by an error is marked so.

    `store`: MLflow tracking URI, for example sqlite:///mlflow.db or a server's address; None writes the log only.
    """

    def __init__(self, folder: Path, name: str, store: str | None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._log = (folder / LOG).open("a", encoding="utf-8")
        self._store = _Store(store, name) if store and find_spec("mlflow") else None
        self._line("run", {"name": name})

    def parameters(self, values: Mapping[str, Any]) -> None:
        """What the run was started with; nested mappings become dotted names."""
        flat = flatten(values)
        self._line("parameters", flat)
        if self._store:
            self._store.parameters(flat)

    def metrics(self, step: int, values: Mapping[str, float]) -> None:
        """Numbers at a step of the run."""
        self._line("metrics", dict(values), step)
        if self._store:
            self._store.metrics(step, values, time.time())

    def file(self, path: Path, place: str = "") -> None:
        """A file that belongs to the run (example photos, curves, the network), stored under `place`."""
        self._line("file", {"path": str(path.resolve()), "place": place})
        if self._store:
            self._store.file(path, place)

    def _line(self, kind: str, values: Mapping[str, Any], step: int | None = None) -> None:
        line = {"kind": kind, "time": round(time.time(), 3), "step": step, "values": values}
        self._log.write(json.dumps(line) + "\n")
        self._log.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._line("end", {"finished": error is None})
        self._log.close()
        if self._store:
            self._store.end(finished=error is None)


class _Store:
    """The MLflow side of a run."""

    def __init__(self, uri: str, name: str) -> None:
        import mlflow

        self._client = mlflow.MlflowClient(tracking_uri=uri)
        experiment = self._client.get_experiment_by_name(EXPERIMENT)
        identifier = experiment.experiment_id if experiment else self._client.create_experiment(EXPERIMENT)
        self._run = self._client.create_run(identifier, run_name=name).info.run_id

    def parameters(self, values: Mapping[str, Any]) -> None:
        for key, value in values.items():
            self._client.log_param(self._run, key, str(value)[:500])

    def metrics(self, step: int, values: Mapping[str, float], at_s: float) -> None:
        for key, value in values.items():
            self._client.log_metric(self._run, key, value, timestamp=int(at_s * 1000), step=step)

    def file(self, path: Path, place: str) -> None:
        self._client.log_artifact(self._run, str(path), place or None)

    def end(self, *, finished: bool) -> None:
        self._client.set_terminated(self._run, "FINISHED" if finished else "FAILED")


def import_run(folder: Path, store: str) -> int:
    """Bring the log of a run into an MLflow store; returns how many numbers were taken over.

    Files are taken from where the log says, or from the run's folder when they have moved with it.
    Raises BatchError when there is no log, or a line of it is broken.
    """
    path = folder / LOG
    try:
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    except OSError:
        raise BatchError(path, "there is no log of a run", "name the run's output folder") from None
    except ValueError:
        raise BatchError(
            path, "a line of the log is not JSON", "remove the broken line (most often the last)"
        ) from None
    names = [line["values"]["name"] for line in lines if line["kind"] == "run"]
    run, count, finished = _Store(store, names[0] if names else folder.name), 0, False
    parameters: dict[str, Any] = {}
    for line in lines:
        values = line["values"]
        if line["kind"] == "parameters":
            parameters |= {key: value for key, value in values.items() if key not in parameters}
        elif line["kind"] == "metrics":
            run.metrics(line["step"], values, line["time"])
            count += len(values)
        elif line["kind"] == "file":
            found = [
                place for place in (Path(values["path"]), *folder.rglob(Path(values["path"]).name)) if place.exists()
            ]
            if found:
                run.file(found[0], values["place"])
        elif line["kind"] == "end":
            finished = values["finished"]
    run.parameters(parameters)
    run.end(finished=finished)
    return count


def flatten(values: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Nested mappings to one level, names joined by dots."""
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            flat |= flatten(value, f"{prefix}{key}.")
        else:
            flat[f"{prefix}{key}"] = value
    return flat
