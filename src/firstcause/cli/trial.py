"""`firstcause trial`: virtual cars with hidden faults, worked by our policy and by its rivals, and judged."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--cars", type=click.IntRange(min=1), default=20, show_default=True, help="How many cars are drawn.")
@click.option("--seed", type=click.IntRange(min=0), default=None, help="Default: the one fixed in settings.toml.")
@click.option("--cars-file", type=click.Path(exists=True, path_type=Path), default=None,
              help="A car file, or a folder of them, instead of drawn cars (docs/virtual-car.md).")  # fmt: skip
@click.option("--policies", default=None, metavar="A,B,…", help="Default: all of them; docs/trial.md names them.")
@click.option("--physics", default="correct", show_default=True,
              help="correct, or a misspecified one: noise, misreading, mild, severe.")  # fmt: skip
@click.option("--workers", type=click.IntRange(min=1), default=None, help="Default: every core of this machine.")
@click.option("--out", "folder", type=click.Path(file_okay=False, path_type=Path), default=Path("trial"),
              show_default=True, help="Folder of the results; one line for each finished car and policy.")  # fmt: skip
@click.option("--dask", default=None, metavar="ADDRESS|local", help="Run on a Dask cluster; the same numbers.")
@click.option("--resume", is_flag=True, help="Go on with what is in the folder.")
@click.option("--reduced", type=click.IntRange(min=1), default=None, metavar="N",
              help="Instead: N random problems small enough for the exact optimum; about 5 s each.")  # fmt: skip
def trial(
    cars: int, seed: int | None, cars_file: Path | None, policies: str | None, physics: str, workers: int | None,
    folder: Path, dask: str | None, resume: bool, reduced: int | None,
) -> None:  # fmt: skip
    """Let policies work cars with hidden faults, and judge what each costs until the true cure.

    The same seed gives the same numbers, whatever the number of workers. A run that was stopped goes on with --resume.
    """
    if reduced is not None:
        _reduced(reduced, seed, folder)
        return
    from firstcause.trial.policies import NAMES
    from firstcause.trial.report import write_report
    from firstcause.trial.run import Plan, cars_of, run
    from firstcause.trial.settings import settings
    from firstcause.trial.table import table_text, tally

    names = NAMES if policies is None else tuple(name.strip() for name in policies.split(","))
    files = () if cars_file is None else cars_of(cars_file)
    plan = Plan(cars, settings().seeds["main"] if seed is None else seed, names, physics, files)
    with click.progressbar(length=1, label="Cars worked", show_eta=True) as bar:

        def progress(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        rows = run(plan, folder, workers=workers, dask=dask, resume=resume, progress=progress)
    found = tally(rows, names, settings().seeds["bootstrap"])
    click.echo(table_text(found))
    for path in write_report(plan, rows, found, folder):
        click.echo(f"Written: {path}")


def _reduced(problems: int, seed: int | None, folder: Path) -> None:
    """Policies against the exact optimum, on problems small enough for one."""
    import json
    from dataclasses import asdict

    from firstcause.trial.reduced import OPTIMUM, costs
    from firstcause.trial.settings import settings
    from firstcause.trial.table import gaps, gaps_text

    seeds = settings().seeds
    first = seeds["reduced"] if seed is None else seed
    with click.progressbar(length=problems, label="Problems solved", show_eta=True) as bar:
        found = costs(problems, first, lambda done, of: bar.update(done - bar.pos))
    table = gaps(found, OPTIMUM, seeds["bootstrap"])
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "reduced.json"
    told = {"seed": first, "problems": problems, "policies": [asdict(gap) for gap in table]}
    path.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    click.echo(gaps_text(table, problems))
    click.echo(f"Written: {path}")
