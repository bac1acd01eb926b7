"""The study file: its tables, and how one is read, checked whole and hashed.

Every key carries its unit in its name. All faults of a file are reported at once, each with file, line, key, what was
found and what is allowed. The hash of a study covers the tables that decide results, not `[run]` and `[cluster]`.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from shells.constants import YEAR
from shells.cores import usable
from shells.errors import ConfigError, InputError
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.study import locator, messages
from shells.study.possible import require_frozen_orbit, require_stack

#: Times are kept in nanoseconds, which end in 2262: a mission may start up to here and last a century.
FIRST_START, LAST_START = datetime(1958, 1, 1, tzinfo=UTC), datetime(2150, 1, 1, tzinfo=UTC)


#: The tables that say how the work is done. Results do not depend on them, nor does the hash of a study.
HOW = ("run", "cluster")


def _utc(time: datetime) -> datetime:
    aware = time if time.tzinfo else time.replace(tzinfo=UTC)
    # compared before it is converted, which fails at the ends of the calendar
    if not FIRST_START <= aware <= LAST_START:
        raise PydanticCustomError(
            "mismatch",
            "a time from {first} to {last}",
            {"first": str(FIRST_START.date()), "last": str(LAST_START.date())},
        )
    return aware.astimezone(UTC)


def _refused(check: Callable[[], object]) -> str:
    """Return why the library refuses something, nothing if it does not."""
    try:
        check()
    except InputError as error:
        return "; ".join(str(error).split("\n  - ")[1:])
    return ""


def _agrees(check: Callable[[], object]) -> None:
    """Turn what the library refuses into a fault of the study file, so that `check` refuses what `run` would."""
    rule = _refused(check)
    if rule:
        raise PydanticCustomError("mismatch", "{rule}", {"rule": rule})


Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Count = Annotated[int, Field(ge=1, le=10_000_000)]


class Table(BaseModel):
    """One table of a study file: strict types, no unknown keys, frozen."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class StudyTable(Table):
    """What is studied, from when, for how long."""

    name: str = Field(pattern=r"^[A-Za-z0-9_-]+$", description="name of the study and of its run directory")
    start: Annotated[datetime, AfterValidator(_utc)] = Field(description="start of the mission, UTC")
    years: float = Field(gt=0.0, le=100.0, description="length of the mission [Julian years]")
    seed: int = Field(ge=0, description="seed of everything that is drawn")


class FleetTable(Table):
    """The constellation; its planes are stacked by the sweep."""

    pattern: Literal["star", "delta"] = Field(description="nodes over 180 (star) or 360 degrees (delta)")
    planes: int = Field(ge=2, le=1000, description="number of orbital planes")
    satellites_per_plane: int = Field(ge=1, le=10_000, description="satellites in each plane")
    altitude_km: float = Field(
        ge=200.0, le=2000.0, description="mean radius less 6378.137 km, middle of the stack [km]"
    )
    inclination_deg: float = Field(gt=0.0, lt=180.0, description="mean inclination [degree]")
    phasing: int | Literal["best"] = Field(default="best", description="phasing number of the pattern, 0 to planes - 1")
    frozen: bool = Field(default=True, description="whether the mean eccentricity vector is the frozen one")
    match_node_rates: bool = Field(default=True, description="whether inclinations are trimmed to equal node rates")
    mass_kg: Positive = Field(description="mass of a satellite [kg]")
    drag_area_m2: Positive = Field(description="mean cross-section against the air [m2]")
    injection_altitude_km: float = Field(
        default=350.0, ge=200.0, le=2000.0, description="assumed altitude that satellites are raised from [km]"
    )
    specific_impulse_s: Positive = Field(default=1500.0, description="assumed specific impulse of the propulsion [s]")
    hard_body_radius_m: Positive = Field(description="radius of the sphere around a satellite [m]")

    @field_validator("phasing")
    @classmethod
    def _phasing_of_pattern(cls, phasing: int | str, info: ValidationInfo) -> int | str:
        planes = info.data.get("planes")
        if isinstance(phasing, int) and planes and not 0 <= phasing < planes:
            raise PydanticCustomError("mismatch", "a whole number from 0 to {last}", {"last": planes - 1})
        return phasing

    @model_validator(mode="after")
    def _frozen_orbit_exists(self) -> FleetTable:
        rule = _refused(lambda: require_frozen_orbit(self, self.altitude_km))
        if rule:
            raise PydanticCustomError(
                "mismatch", "another one, or frozen = false ({rule})", {"rule": rule, "key": "inclination_deg"}
            )
        return self


class TolerancesTable(Table):
    """How far held satellites stray from their plane's reference orbit."""

    distribution: Literal["bounded", "normal"] = Field(description="shape of the departures")
    mean_radius_m: NotNegative = Field(
        description="half-width (bounded) or standard deviation (normal) of the radius [m]"
    )
    eccentricity: float = Field(
        ge=0.0,
        description="radius of the disc (bounded) or standard deviation of each component of eccentricity",
    )

    orbit_determination_m: NotNegative = Field(
        default=0.0, description="standard deviation of the radius by which a satellite is off where it is believed [m]"
    )
    manoeuvre_m: NotNegative = Field(
        default=0.0, description="standard deviation of the radius that an imperfect correction leaves [m]"
    )
    excursion_along_track_km: NotNegative = Field(
        default=0.0, description="way along the track that avoidance makes good in a revolution [km]"
    )
    cross_track_km: NotNegative = Field(
        default=0.0,
        description="departure of the orbital plane, as amplitude across the track, formed like eccentricity [km]",
    )

    @model_validator(mode="after")
    def _possible(self) -> TolerancesTable:
        _agrees(lambda: Tolerances(**self.model_dump()))
        return self


class FaultsTable(Table):
    """Satellites that leave their tolerances; the values are assumptions."""

    per_satellite_year: NotNegative = Field(
        default=ControlFaults.per_satellite_year, description="assumed faults of a satellite [1/year]"
    )
    offset_km: Positive = Field(
        default=ControlFaults.offset_km,
        description="standard deviation of how far a faulty satellite is off in radius [km]",
    )
    duration_days: Positive = Field(default=ControlFaults.duration_days, description="how long a fault lasts [days]")

    @model_validator(mode="after")
    def _possible(self) -> FaultsTable:
        _agrees(lambda: ControlFaults(**self.model_dump()))
        return self


class ToleranceSet(Table):
    """Tolerances of some cases of the sweep; keys left out are as in [tolerances]."""

    name: str = Field(pattern=r"^[A-Za-z0-9_-]+$", description="name of the set in tables and charts")
    distribution: Literal["bounded", "normal"] | None = Field(default=None, description="shape of the departures")
    mean_radius_m: NotNegative | None = Field(
        default=None, description="half-width (bounded) or standard deviation (normal) of the radius [m]"
    )
    eccentricity: NotNegative | None = Field(
        default=None,
        description="radius of the disc (bounded) or standard deviation of each component of eccentricity",
    )
    orbit_determination_m: NotNegative | None = Field(
        default=None,
        description="standard deviation of the radius by which a satellite is off where it is believed [m]",
    )
    manoeuvre_m: NotNegative | None = Field(
        default=None, description="standard deviation of the radius that an imperfect correction leaves [m]"
    )
    excursion_along_track_km: NotNegative | None = Field(
        default=None, description="way along the track that avoidance makes good in a revolution [km]"
    )
    cross_track_km: NotNegative | None = Field(
        default=None,
        description="departure of the orbital plane, as amplitude across the track, formed like eccentricity [km]",
    )


class FaultSet(Table):
    """Control faults of some cases of the sweep; keys left out are as in [faults]."""

    name: str = Field(pattern=r"^[A-Za-z0-9_-]+$", description="name of the set in tables and charts")
    per_satellite_year: NotNegative | None = Field(default=None, description="assumed faults of a satellite [1/year]")
    offset_km: Positive | None = Field(
        default=None, description="standard deviation of how far a faulty satellite is off in radius [km]"
    )
    duration_days: Positive | None = Field(default=None, description="how long a fault lasts [days]")


class ForcesTable(Table):
    """What the solar activity is; all forces act."""

    solar_activity: Literal["low", "mean", "high", "cycle", "drawn"] = Field(
        default="mean", description="constant (low, mean, high), the reference cycle, or cycles drawn like past ones"
    )
    solar_seed: int = Field(default=0, ge=0, description="seed of the drawn cycles")


class DemoDebris(Table):
    """An invented population."""

    source: Literal["demo"] = Field(description="where the debris comes from")
    count: Count = Field(description="number of objects to draw")


class CatalogueDebris(Table):
    """Objects of a catalogue file."""

    source: Literal["catalogue"] = Field(description="where the debris comes from")
    path: str = Field(min_length=1, description="element sets, relative to the study file")

    @field_validator("path")
    @classmethod
    def _path_of_file(cls, path: str, info: ValidationInfo) -> str:
        if info.context and not (info.context["directory"] / path).is_file():
            raise PydanticCustomError(
                "mismatch", "a file, and there is none at {place}", {"place": str(info.context["directory"] / path)}
            )
        return path


class ApproachesTable(Table):
    """Thresholds of distance."""

    within_km: tuple[Positive, ...] = Field(
        default=(1.0, 2.0, 5.0), min_length=1, description="thresholds, the largest is that of the exact search [km]"
    )

    @field_validator("within_km")
    @classmethod
    def _within_km_once(cls, thresholds: tuple[float, ...]) -> tuple[float, ...]:
        return _ascending(thresholds)


class AvoidanceTable(Table):
    """What an avoidance manoeuvre is decided on, and from which probability; the ages are assumptions."""

    thresholds: tuple[Annotated[float, Field(ge=1e-12, lt=1.0)], ...] = Field(
        default=(1e-4, 1e-5, 1e-6), min_length=1, description="collision probabilities from which somebody acts"
    )
    fleet_age_days: NotNegative = Field(
        default=0.2, description="assumed age of the orbit of a satellite at the encounter [days]"
    )
    debris_age_days: NotNegative = Field(
        default=0.5, description="assumed age of the orbit of the other object at the encounter [days]"
    )


class SweepTable(Table):
    """The cases that are compared: every step with every order, under every combination of what else is listed."""

    step_km: tuple[Positive, ...] = Field(min_length=1, description="altitude steps between neighbouring shells [km]")
    order: tuple[Literal["monotone", "interleaved", "best"] | tuple[int, ...], ...] = Field(
        default=("monotone",), min_length=1, description="orders of the planes in altitude, lowest first"
    )
    solar_activity: tuple[Literal["low", "mean", "high", "cycle", "drawn"], ...] = Field(
        default=(), description="solar activities, by default that of [forces]"
    )
    solar_seed: tuple[Annotated[int, Field(ge=0)], ...] = Field(
        default=(), description="seeds of drawn cycles, by default that of [forces]"
    )
    seed: tuple[Annotated[int, Field(ge=0)], ...] = Field(
        default=(), description="seeds of invented debris, by default that of [study]"
    )
    tolerances: tuple[ToleranceSet, ...] = Field(default=(), description="sets of tolerances, by default [tolerances]")
    faults: tuple[FaultSet, ...] = Field(default=(), description="sets of control faults, by default [faults]")

    @field_validator("order", "solar_activity", "solar_seed", "seed")
    @classmethod
    def _once(cls, values: tuple[Any, ...]) -> tuple[Any, ...]:
        if len(set(values)) < len(values):
            raise PydanticCustomError("mismatch", "each value once")
        return values

    @field_validator("tolerances", "faults")
    @classmethod
    def _names_once(cls, sets: tuple[Any, ...]) -> tuple[Any, ...]:
        names = [one.name for one in sets]
        if len(set(names)) < len(names):
            raise PydanticCustomError("mismatch", "each name once, and found {names}", {"names": ", ".join(names)})
        return sets

    @field_validator("step_km")
    @classmethod
    def _step_km_once(cls, steps: tuple[float, ...]) -> tuple[float, ...]:
        return _ascending(steps)


class TargetTable(Table):
    """What is still acceptable; all four parts are always shown."""

    quantity: Literal["collisions", "probability"] = Field(
        description="what is limited: the expected number of collisions, or the probability of at least one"
    )
    value: Positive = Field(description="the limit [1]")
    years: Positive = Field(description="the time the limit is for [Julian years]")
    scope: Literal["fleet", "satellite"] = Field(description="whom the limit is for")
    avoidance: Literal[False] = Field(
        default=False, description="whether avoidance manoeuvres are counted on: false, fixed"
    )


class RunTable(Table):
    """How the work is done; results do not depend on it."""

    engine: Literal["threads", "processes"] = Field(default="threads", description="what the workers are")
    workers: Count = Field(default_factory=usable, description="number of workers, by default the cores there are")
    objects_per_block: Count = Field(default=500, description="debris objects in one block of work")


class ClusterTable(Table):
    """The batch system that runs the blocks, in jobs that are workers of one scheduler."""

    system: Literal["slurm", "pbs"] = Field(description="which batch system")
    jobs: Count = Field(description="number of jobs, kept up: one that ends is replaced")
    cores: Count = Field(description="cores of a job")
    memory_gb: Positive = Field(description="memory of a job [10^9 bytes]")
    walltime_hours: float = Field(gt=0.0, le=8760.0, description="walltime of a job [hours]")
    processes: Count = Field(default=1, description="worker processes of a job, which share its cores")
    queue: str | None = Field(default=None, min_length=1, description="queue or partition, by default the system's")
    account: str | None = Field(default=None, min_length=1, description="account or project that is charged")
    interface: str | None = Field(
        default=None, min_length=1, description="network interface, such as ib0, of scheduler and workers"
    )
    local_directory: str | None = Field(
        default=None, min_length=1, description="fast scratch directory on each node, where workers may spill"
    )
    directives: tuple[str, ...] = Field(
        default=(), description="further directives of the job script, such as --constraint=avx512"
    )
    prologue: tuple[str, ...] = Field(default=(), description="lines of the job script before the worker starts")

    @field_validator("processes")
    @classmethod
    def _share_cores(cls, processes: int, info: ValidationInfo) -> int:
        if "cores" in info.data and info.data["cores"] % processes:
            raise PydanticCustomError("mismatch", "a divisor of the {cores} cores", {"cores": info.data["cores"]})
        return processes

    @field_validator("directives", "prologue")
    @classmethod
    def _single_lines(cls, lines: tuple[str, ...]) -> tuple[str, ...]:
        if any("\n" in line or "\r" in line for line in lines):
            raise PydanticCustomError("mismatch", "one line of the job script in each entry")
        return lines


class Study(Table):
    """A study: all tables, validated and frozen."""

    study: StudyTable
    fleet: FleetTable
    tolerances: TolerancesTable
    faults: FaultsTable = FaultsTable()
    forces: ForcesTable = ForcesTable()
    debris: Annotated[DemoDebris | CatalogueDebris, Field(discriminator="source")] | None = None
    approaches: ApproachesTable = ApproachesTable()
    avoidance: AvoidanceTable = AvoidanceTable()
    sweep: SweepTable
    target: TargetTable
    run: RunTable = RunTable()
    cluster: ClusterTable | None = None
    _text: str = PrivateAttr("")
    _directory: Path = PrivateAttr(Path())

    @field_validator("forces")
    @classmethod
    def _forces_fit(cls, forces: ForcesTable, info: ValidationInfo) -> ForcesTable:
        _cycles_are_drawn_for_mission((forces.solar_activity,), info.data)
        return forces

    @field_validator("sweep")
    @classmethod
    def _sweep_fits(cls, sweep: SweepTable, info: ValidationInfo) -> SweepTable:
        _require_all(
            sweep,
            partial(_cycles_are_drawn_for_mission, sweep.solar_activity, info.data),
            partial(_orders_name_all_planes, sweep, info.data),
            partial(_seeds_draw_something, sweep, info.data),
            partial(_sets_are_possible, "tolerances", Tolerances, sweep, info.data),
            partial(_sets_are_possible, "faults", ControlFaults, sweep, info.data),
            partial(_stacks_can_be_built, sweep, info.data),
        )
        return sweep

    @property
    def tolerance_sets(self) -> dict[str, Tolerances]:
        """The sets of tolerances by name."""
        sets = self.sweep.tolerances or (ToleranceSet(name="stated"),)
        return {one.name: Tolerances(**_filled(self.tolerances, one)) for one in sets}

    @property
    def fault_sets(self) -> dict[str, ControlFaults]:
        """The sets of control faults by name."""
        sets = self.sweep.faults or (FaultSet(name="stated"),)
        return {one.name: ControlFaults(**_filled(self.faults, one)) for one in sets}

    @property
    def stated_tolerances(self) -> Tolerances:
        """The tolerances that the study is decided under: the first set."""
        return next(iter(self.tolerance_sets.values()))

    @property
    def stated_faults(self) -> ControlFaults:
        """The control faults that the study is decided under: the first set."""
        return next(iter(self.fault_sets.values()))

    @property
    def name(self) -> str:
        """Name of the study and of its run directory."""
        return self.study.name

    @property
    def satellites(self) -> int:
        """Satellites of the fleet."""
        return self.fleet.planes * self.fleet.satellites_per_plane

    @property
    def search_km(self) -> float:
        """Threshold of the exact search [km]."""
        return max(self.approaches.within_km)

    @property
    def catalogue(self) -> Path | None:
        """The catalogue file, None without one."""
        return self._directory / self.debris.path if isinstance(self.debris, CatalogueDebris) else None

    @property
    def text(self) -> str:
        """The study file as it was read; written anew from the tables when there is none or they were changed since."""
        if self._text and _validated(self._text, self._directory).model_dump() == self.model_dump():
            return self._text
        lines = []
        for table, keys in self.model_dump(exclude_none=True).items():
            lines += [f"[{table}]", *(f"{key} = {_toml(value)}" for key, value in keys.items()), ""]
        return "\n".join(lines)


def _require_all(table: Table, *checks: Callable[[], None]) -> None:
    """Raise what the checks of a table refuse, all together: of several validators the first hides the others."""
    found: list[InitErrorDetails] = []
    for check in checks:
        try:
            check()
        except PydanticCustomError as error:
            found.append(InitErrorDetails(type=error, input=table))
    if found:
        raise ValidationError.from_exception_data(type(table).__name__, found)


# Checks of one table against others. Tables that are not known have faults of their own.


def _cycles_are_drawn_for_mission(activities: tuple[str, ...], known: dict[str, Any]) -> None:
    mission = known.get("study")
    if mission is None or "drawn" not in activities:
        return
    # here, for it loads what no other activity needs
    from shells.motion.solar import FIRST_DRAWN, LAST_DRAWN

    end = mission.start + timedelta(seconds=mission.years * YEAR.value)
    # the flux is read some days past the end
    if mission.start.year < FIRST_DRAWN or end.year >= LAST_DRAWN:
        raise PydanticCustomError(
            "mismatch",
            "another activity for a mission from {start} to {end}: cycles are drawn from {first} to {last}",
            {
                "start": str(mission.start.date()),
                "end": str(end.date()),
                "first": FIRST_DRAWN,
                "last": LAST_DRAWN - 1,
                "key": "solar_activity",
            },
        )


def _orders_name_all_planes(sweep: SweepTable, known: dict[str, Any]) -> None:
    fleet = known.get("fleet")
    if fleet is None:
        return
    every = list(range(fleet.planes))
    wrong = [order for order in sweep.order if not isinstance(order, str) and sorted(order) != every]
    if wrong:
        raise PydanticCustomError(
            "mismatch",
            "each plane number from 0 to {last} once, and {wrong} does not name them so",
            {"last": fleet.planes - 1, "wrong": str(list(wrong[0])), "key": "order"},
        )


def _seeds_draw_something(sweep: SweepTable, known: dict[str, Any]) -> None:
    if sweep.seed and isinstance(known.get("debris"), CatalogueDebris):
        raise PydanticCustomError(
            "mismatch", "no seeds, for the debris is that of a catalogue and nothing is drawn", {"key": "seed"}
        )
    forces = known.get("forces")
    activities = sweep.solar_activity or ((forces.solar_activity,) if forces else ("drawn",))
    if sweep.solar_seed and "drawn" not in activities:
        raise PydanticCustomError(
            "mismatch", "no seeds, for no solar activity of the study is 'drawn'", {"key": "solar_seed"}
        )


def _sets_are_possible(key: str, kind: Callable[..., object], sweep: SweepTable, known: dict[str, Any]) -> None:
    base = known.get(key)
    if base is None:
        return
    refused = {one.name: _refused(partial(kind, **_filled(base, one))) for one in getattr(sweep, key)}
    rules = [f"in '{name}' other values ({rule})" for name, rule in refused.items() if rule]
    if rules:
        raise PydanticCustomError("mismatch", "{rules}", {"rules": "; ".join(rules), "key": key})


def _stacks_can_be_built(sweep: SweepTable, known: dict[str, Any]) -> None:
    fleet = known.get("fleet")
    if fleet is None:
        return
    for step in sweep.step_km:  # ascending, and where one is refused so are the larger ones
        rule = _refused(partial(require_stack, fleet, step))
        if rule:
            raise PydanticCustomError(
                "mismatch",
                "smaller steps than {step} km ({rule})",
                {"step": f"{step:g}", "rule": rule, "key": "step_km"},
            )


def study_hash(study: Study) -> str:
    """Return the hash of all that decides results: the canonical JSON of every table but `[run]` and `[cluster]`.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    str
        SHA-256, 64 hexadecimal digits.
    """
    science = study.model_dump(mode="json", exclude=set(HOW))
    return hashlib.sha256(json.dumps(science, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def load_study(path: str | Path) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Study
        Validated and frozen.

    Raises
    ------
    ConfigError
        The file cannot be read, is not TOML, or has faults: all of them, each with line and key.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot read the study file: {error.strerror}. Give the path of a TOML file; "
            "`shells new` writes one to start from."
        ) from None
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start}); save the study file as UTF-8.") from None
    try:
        study = _validated(text, path.parent)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(messages.syntax_message(path, text, error)) from None
    except ValidationError as error:
        raise ConfigError(messages.message(path, error, tomllib.loads(text), locator.key_lines(text), Study)) from None
    study._text = text
    return study


def _validated(text: str, directory: Path) -> Study:
    raw = messages.tuples(tomllib.loads(text))
    study = Study.model_validate(raw, context={"directory": directory.absolute()})
    study._directory = directory.absolute()
    return study


def _filled(base: Table, changes: Table) -> dict[str, Any]:
    """Return the values of a table with those of a set in their place."""
    return base.model_dump() | changes.model_dump(exclude={"name"}, exclude_none=True)


def _toml(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _ascending(values: tuple[float, ...]) -> tuple[float, ...]:
    if len(set(values)) < len(values):
        raise PydanticCustomError("mismatch", "each value once")
    return tuple(sorted(values))
