"""The command line: `shells new | check | run | report | catalogue`.

Everything heavy is imported inside the command that needs it, so that `shells --help` answers at once. Expected errors
end as one message and a non-zero exit: 1 for an error, 2 for wrong usage, 130 for Ctrl-C.
"""

from __future__ import annotations

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
@click.argument("study", type=click.Path(path_type=Path))
def check(study: Path) -> None:
    """Validate the file STUDY and say how much work it is, from a short calibration."""
    from shells.report.terminal import print_estimate
    from shells.study import population
    from shells.study.cases import scenarios_of
    from shells.study.configuration import load_study
    from shells.study.estimate import estimate

    loaded = load_study(study)
    click.echo(f"{study}: valid")
    debris = population.load(loaded, scenarios_of(loaded)[0].seed) if loaded.debris else None
    print_estimate(estimate(loaded, debris), loaded.run.workers)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--directory", type=click.Path(path_type=Path), default=Path("runs"), show_default=True, help="Where runs are kept."
)
def run(study: Path, directory: Path) -> None:
    """Run the file STUDY, or what is missing of it, and report.

    Results go to DIRECTORY/NAME, NAME being that of the study. The same command goes on with a run that was stopped.
    """
    from shells.report.delivery import run as deliver
    from shells.report.terminal import ProgressLine, print_summary

    with ProgressLine() as progress:
        place = deliver(study, directory=directory, progress=progress)
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
