"""The command line: `shells new | check | run | report | catalogue`.

Everything heavy is imported inside the command that needs it, so that `shells --help` answers at once. Expected errors
end as one message and a non-zero exit: 1 for an error, 2 for wrong usage, 130 for Ctrl-C.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from shells.errors import ShellsError

_STOPPED = 130


class _Commands(click.Group):
    """Commands whose expected errors become one message."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except ShellsError as error:
            raise click.ClickException(str(error)) from error
        except BrokenPipeError:
            raise
        except OSError as error:
            raise click.ClickException(f"{error.filename or 'system'}: {error.strerror or error}") from error
        except KeyboardInterrupt as stopped:
            click.echo(f"\n{stopped or 'stopped'}", err=True)
            ctx.exit(_STOPPED)


class _Blocks(click.ParamType):  # type: ignore[type-arg]
    """Numbers of blocks, A:B, the last one not included."""

    name = "A:B"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> range:
        """Return the numbers that a text names."""
        first, colon, last = str(value).partition(":")
        if not (colon and first.isdecimal() and last.isdecimal() and int(first) < int(last)):
            self.fail(f"found '{value}', expected two numbers such as 0:50, the second one larger", param, ctx)
        return range(int(first), int(last))


@click.group(cls=_Commands)
def main() -> None:
    """Design the altitude steps of a constellation's shells.

    Writes, checks and runs study files, and reports which step is enough and why.
    """


@main.command()
@click.argument("name", default="first-study")
def new(name: str) -> None:
    """Write NAME.toml, a commented study to start from.

    NAME is that of the study, by default first-study.
    """
    from shells.study.template import write_template

    click.echo(f"{write_template(name, Path())}: written. Change it, then: shells check {name}.toml")


@main.command()
@click.argument("path", type=click.Path(path_type=Path))
def check(path: Path) -> None:
    """Validate the study file PATH and say how much work it is; or verify the run directory PATH, block by block."""
    if path.is_dir():
        _check_run(path)
    else:
        _check_study(path)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--directory", type=click.Path(path_type=Path), default=Path("runs"), show_default=True, help="Where runs are kept."
)
@click.option("--retry-failed", is_flag=True, help="Compute blocks again that failed.")
@click.option(
    "--blocks",
    type=_Blocks(),
    help="Compute blocks A to B - 1 only and conclude nothing: a part, such as an array job. Parts may run at the same "
    "time; run the study without this when all are done.",
)
@click.option("--scheduler", metavar="ADDRESS", help="Address of a running scheduler of dask, whose workers compute.")
@click.option("--tls-ca", type=click.Path(path_type=Path), help="Certificate of who vouches for the scheduler.")
@click.option("--tls-cert", type=click.Path(path_type=Path), help="Own certificate for the scheduler.")
@click.option("--tls-key", type=click.Path(path_type=Path), help="Key of that certificate.")
def run(
    study: Path,
    directory: Path,
    retry_failed: bool,
    blocks: range | None,
    scheduler: str | None,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
) -> None:
    """Run the file STUDY, or what is missing of it, and report.

    Results go to DIRECTORY/NAME, NAME being that of the study. The same command goes on with a run that was stopped;
    blocks that failed are computed again with --retry-failed only.
    """
    from shells.report import delivery
    from shells.report.terminal import ProgressLine, print_summary
    from shells.study import engines, runner

    if (tls_ca or tls_cert or tls_key) and not scheduler:
        raise click.UsageError("--tls-ca, --tls-cert and --tls-key go with --scheduler")
    with ExitStack() as stack:
        progress = stack.enter_context(ProgressLine())
        client = (
            stack.enter_context(engines.connect(scheduler, tls_ca=tls_ca, tls_cert=tls_cert, tls_key=tls_key))
            if scheduler
            else None
        )
        options: dict[str, Any] = {"directory": directory, "progress": progress, "retry_failed": retry_failed}
        if blocks is not None:
            runner.run(study, client, blocks=blocks, **options)
            return
        place = delivery.run(study, client, **options)
    print_summary(place.summary(), str(place.report / "report.html"))


@main.command()
@click.argument("run", type=click.Path(path_type=Path))
def report(run: Path) -> None:
    """Make the report of the finished run directory RUN again."""
    from shells.report.page import write_report
    from shells.study.store import RunDirectory

    click.echo(f"{write_report(RunDirectory(run))}: written")


@main.command()
@click.argument("file", type=click.Path(path_type=Path))
def catalogue(file: Path) -> None:
    """Count what the catalogue FILE holds: element sets read, rejected, by kind and by altitude."""
    from shells.debris.element_sets import read_element_sets
    from shells.debris.summary import summarise
    from shells.report.terminal import print_catalogue

    print_catalogue(summarise(read_element_sets(file)))


def _check_study(path: Path) -> None:
    from shells.report.terminal import print_estimate
    from shells.study import population
    from shells.study.cases import scenarios_of
    from shells.study.configuration import load_study
    from shells.study.estimate import estimate

    loaded = load_study(path)
    debris = population.load(loaded, scenarios_of(loaded)[0].seed) if loaded.debris else None
    priced = estimate(loaded, debris)
    click.echo(f"{path}: valid")  # only now, for the calibration builds a fleet
    print_estimate(priced, loaded.run.workers)


def _check_run(path: Path) -> None:
    from shells.study.inspection import inspect
    from shells.study.store import RunDirectory

    found = inspect(RunDirectory(path))
    if found.faults:
        raise ShellsError(found.faults)
    click.echo(f"{path}: all {found.total} blocks are whole")
    click.echo(f"  seconds  {found.seconds:.2g} for a block (median), {found.longest:.2g} for the longest")
