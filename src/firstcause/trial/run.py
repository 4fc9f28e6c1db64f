"""The trial run: every car by every policy, on local cores or a Dask cluster; each result kept at once, so it resumes.

A result depends on the seed, the car's number, the physics and the policy, and on nothing else: not on who worked it
out, in which order, or how many at a time.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from firstcause.errors import RequestError
from firstcause.knowledge.base import load
from firstcause.trial.draw import Drawn, NoSuchCar, draw, from_file
from firstcause.trial.judge import judge
from firstcause.trial.policies import NAMES
from firstcause.trial.settings import CORRECT, settings
from firstcause.virtualcar.car_file import CarFile, parse_car

RESULTS = "results.jsonl"
HEAD = "trial.json"
Row = dict[str, Any]


@dataclass(frozen=True)
class Plan:
    """What is to be run: so many cars of a seed under one physics, or cars from a file, by these policies."""

    cars: int
    seed: int
    policies: tuple[str, ...] = NAMES
    physics: str = CORRECT
    files: tuple[CarFile, ...] = ()

    def __post_init__(self) -> None:
        unknown = [name for name in self.policies if name not in NAMES]
        if unknown or not self.policies:
            raise RequestError(f"No policy is called {', '.join(unknown)!r}; there are {', '.join(NAMES)}.")
        if self.cars < 1:
            raise RequestError("A trial needs a car. Nothing was begun.")
        settings().variant(self.physics)

    def head(self) -> Row:
        """What must be the same for results to belong to one trial; policies and the number of cars may grow."""
        return {"seed": self.seed, "physics": self.physics, "from_file": len(self.files)}


def cars_of(path: Path) -> tuple[CarFile, ...]:
    """The cars of a file: one car file, or a folder of them, in the order of their names."""
    import tomllib

    paths = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    if not paths:
        raise RequestError(f"There is no car file in {path}. Nothing was begun.")
    found = []
    for each in paths:
        try:
            found.append(parse_car(tomllib.loads(each.read_text(encoding="utf-8"))))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise RequestError(f"{each.name} is not TOML: {error}. Nothing was begun.") from error
    return tuple(found)


@lru_cache(maxsize=2)
def _drawn(seed: int, number: int, physics: str) -> Drawn:
    """The car, kept for the next policy: nobody works the car itself, each policy has a copy."""
    rules = settings()
    return draw(seed, number, rules, rules.variant(physics))


def work(plan: Plan, number: int, policy: str) -> Row:
    """One car by one policy; the row says so where no car could be drawn."""
    try:
        drawn = (
            from_file(number, plan.files[number], settings()) if plan.files else _drawn(plan.seed, number, plan.physics)
        )
    except NoSuchCar as error:
        return {"car": number, "policy": policy, "broken": str(error)}
    return judge(drawn, policy, load("misfire"), settings(), plan.seed).to_dict()


def run(
    plan: Plan, folder: Path, *, workers: int | None = None, dask: str | None = None, resume: bool = False,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> list[Row]:  # fmt: skip
    """Run a plan and keep each result in `folder` as it comes; returns all rows, by car and policy.

    `dask`: the address of a scheduler, or `local` for a cluster of this machine. With `resume` only what is missing is
    run. Raises RequestError when the folder holds another trial, or one and `resume` was not said.
    """
    done = _begin(plan, folder, resume)
    numbers = range(len(plan.files) if plan.files else plan.cars)
    todo = [(n, policy) for n in numbers for policy in plan.policies if (n, policy) not in done]
    total, rows = len(numbers) * len(plan.policies), dict(done)
    progress(total - len(todo), total)
    with (folder / RESULTS).open("a", encoding="utf-8") as kept, _pool(workers, dask) as results:
        for finished, row in enumerate(results(plan, todo), start=total - len(todo) + 1):
            rows[(row["car"], row["policy"])] = row
            kept.write(json.dumps(row, ensure_ascii=False) + "\n")
            kept.flush()
            os.fsync(kept.fileno())
            progress(finished, total)
    order = {name: at for at, name in enumerate(plan.policies)}
    wanted = [row for (n, p), row in rows.items() if p in order and n in numbers]
    return sorted(wanted, key=lambda row: (row["car"], order[row["policy"]]))


def _begin(plan: Plan, folder: Path, resume: bool) -> dict[tuple[int, str], Row]:
    """The folder made ready, and what is finished in it."""
    folder.mkdir(parents=True, exist_ok=True)
    head, kept = folder / HEAD, folder / RESULTS
    if not head.exists():
        head.write_text(json.dumps(plan.head()) + "\n", encoding="utf-8")
        return {}
    if not resume:
        raise RequestError(f"{folder} holds a trial already, and it was left as it is. Say --resume, or another --out.")
    if json.loads(head.read_text(encoding="utf-8")) != plan.head():
        raise RequestError(f"{folder} holds a trial of another seed, physics or file. Nothing was begun.")
    return read_results(kept)


def read_results(path: Path) -> dict[tuple[int, str], Row]:
    """The finished rows of a results file by car and policy. A last line cut short by a kill is cut off the file."""
    if not path.exists():
        return {}
    data = path.read_bytes()
    whole = data[: data.rfind(b"\n") + 1]
    if whole != data:
        path.write_bytes(whole)
    rows = [json.loads(line) for line in whole.decode("utf-8").splitlines()]
    return {(row["car"], row["policy"]): row for row in rows}


Todo = Sequence[tuple[int, str]]
Results = Callable[[Plan, Todo], Iterator[Row]]


@contextmanager
def _pool(workers: int | None, dask: str | None) -> Iterator[Results]:
    """What works a list off and gives the rows as they come."""
    if dask is not None:
        with _dask(workers, dask) as results:
            yield results
    elif workers == 1:
        yield lambda plan, todo: (work(plan, number, policy) for number, policy in todo)
    else:
        with ProcessPoolExecutor(workers or os.cpu_count(), mp_context=get_context("spawn")) as pool:
            yield lambda plan, todo: _as_they_come(pool, plan, todo)


def _as_they_come(pool: ProcessPoolExecutor, plan: Plan, todo: Todo) -> Iterator[Row]:
    for future in as_completed([pool.submit(work, plan, number, policy) for number, policy in todo]):
        yield future.result()


@contextmanager
def _dask(workers: int | None, address: str) -> Iterator[Results]:
    try:
        import distributed
    except ImportError as error:
        raise RequestError("Dask is not installed: pip install 'firstcause[spread]'. Nothing was begun.") from error
    dask: Any = distributed  # it has no types

    def results(client: Any, plan: Plan, todo: Todo) -> Iterator[Row]:
        futures = [client.submit(work, plan, number, policy, pure=False) for number, policy in todo]
        for _, row in dask.as_completed(futures, with_results=True):
            yield row

    with ExitStack() as stack:
        where = address
        if address == "local":
            count = workers or os.cpu_count()
            where = stack.enter_context(
                dask.LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None)
            )
        client = stack.enter_context(dask.Client(where))
        yield lambda plan, todo: results(client, plan, todo)
