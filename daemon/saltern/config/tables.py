"""The bench file: every option with its unit, range and default.

A bench file is TOML. Unknown keys are refused, and all mistakes are reported together.
"""

from datetime import date, time
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.chemistry.endpoint import methods
from saltern.config.tank import TankTable

PositiveMl = Annotated[float, Field(gt=0)]
Millimetres = Annotated[float, Field(ge=-3000, le=3000)]
Fraction = Annotated[float, Field(ge=0, le=1)]

PumpRole = Literal["sample", "waste", "titrant"]
ProbeRole = Literal["ph", "conductivity", "temperature", "stirrer", "balance"]
SwitchRole = Literal["overfill", "leak", "stop", "waste_full"]


def _is_method(name: str) -> str:
    if name not in methods.NAMES:
        msg = f"{name!r} is not a method: choose of {', '.join(methods.NAMES)}"
        raise ValueError(msg)
    return name


MethodName = Annotated[str, AfterValidator(_is_method), WithJsonSchema({"type": "string", "enum": list(methods.NAMES)})]


class Table(BaseModel):
    """A table of the bench file: no unknown keys, never changed after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class DeviceTable(BaseModel):
    """A device: its `driver`, and whatever that driver's own model asks for."""

    model_config = ConfigDict(extra="allow", frozen=True)

    driver: str

    def options(self) -> dict[str, Any]:
        """Return the table without `driver`, as the driver's own model wants it."""
        return dict(self.__pydantic_extra__ or {})


class Vessel(Table):
    """The titration vessel. Heights are above its inner floor; it is a straight cylinder or prism."""

    area_cm2: float = Field(gt=0, le=200, description="inner cross-section, stirrer bar and probes taken off")
    spout_mm: float = Field(gt=0, description="lower edge of the passive spout, which leads into the tray")
    overfill_switch_mm: float = Field(gt=0, description="height at which the overfill float acts")
    waste_tip_mm: float = Field(ge=0, description="end of the waste line: what lies below stays as residue")
    conductivity_tip_mm: float = Field(ge=0, description="height at which the conductivity cell is just covered")
    ph_tip_mm: float = Field(ge=6, description="height of the pH probe's tip; at least 6 mm")
    titrant_tip_mm: float = Field(ge=25, description="end of the titrant line; at least 25 mm")
    residue_ml: float = Field(ge=0, description="what a drain leaves, measured once by weighing")
    residue_u_ml: float = Field(gt=0, description="standard uncertainty of the residue from drain to drain")
    spout_into: Literal["tray"] = "tray"

    def volume_at_ml(self, height_mm: float) -> float:
        """Return the volume of liquid that stands `height_mm` high."""
        return self.area_cm2 * height_mm / 10.0

    @property
    def capacity_ml(self) -> float:
        return self.volume_at_ml(self.spout_mm)

    @model_validator(mode="after")
    def _heights_in_order(self) -> "Vessel":
        if not self.waste_tip_mm <= self.conductivity_tip_mm < self.overfill_switch_mm < self.spout_mm:
            msg = (
                "heights must rise in the order waste_tip_mm, conductivity_tip_mm, overfill_switch_mm, spout_mm: "
                "the waste line reaches lowest, the float acts before the spout runs"
            )
            raise ValueError(msg)
        return self


class Line(Table):
    """A tube from one container to another. Heights are above the vessel's inner floor."""

    length_mm: float = Field(gt=0, le=5000)
    bore_mm: float = Field(gt=0, le=10)
    inlet_mm: Millimetres = Field(description="height of the liquid that feeds the line")
    outlet_mm: Millimetres = Field(description="height of the line's end")
    vented_break_mm: Millimetres | None = Field(
        default=None,
        description="height of a break in the line, open to the air, between pump and vessel: above its source's "
        "surface nothing runs over it by itself",
    )

    @property
    def volume_ml(self) -> float:
        return 3.141592653589793 * (self.bore_mm / 2.0) ** 2 * self.length_mm / 1000.0


class Pump(Table):
    """A pump head: its drive, its run-permit, its calibration and its line."""

    drive: DeviceTable
    permit: DeviceTable = Field(description="what holds the pump's supply, and lapses by itself")
    permit_lapse_s: float | None = Field(
        default=None,
        ge=0.1,
        le=30.0,
        description="how long the permit holds after its last kick at most, as bring-up read it; the longer of this "
        "and what its driver states counts",
    )
    valve: DeviceTable | None = Field(
        default=None,
        description="a normally closed valve in the pump's line, held open by a run-permit of its own; it is open only "
        "while the pump is permitted",
    )
    ml_per_unit: float = Field(gt=0, description="mL per second (timed drive) or per step (counted drive)")
    gain_u_percent: float = Field(default=1.0, ge=0, le=20, description="standard uncertainty of ml_per_unit")
    repeatability_percent: float = Field(default=0.5, ge=0, le=20, description="sd of a whole fill, of its volume")
    dose_walk_ml: float = Field(
        default=0.0045, ge=0, description="sd of 1 mL dispensed; grows with the square root of the volume"
    )
    calibrated_on: date | None = Field(default=None, description="date of the calibration; an old one raises an alert")
    units_per_roller_pitch: float | None = Field(
        default=None, gt=0, description="units from roller to roller of a counted peristaltic pump; doses keep to it"
    )
    line: Line

    def lapse_s(self, stated_s: float) -> float:
        """Return how long the permit may hold after its last kick, of what its driver states and what was read of it.

        A reading never shortens it: what is stated may be the longest of a one-shot that was read on a warm day, and
        the bound of what a pump may have moved is reckoned with it.
        """
        return stated_s if self.permit_lapse_s is None else max(stated_s, self.permit_lapse_s)


class Pumps(Table):
    sample: Pump
    waste: Pump
    titrant: Pump


class StirrerSensor(Table):
    """What shows that the stirrer turns: its motor's current, or a tachometer. Looked at before every dose."""

    board: DeviceTable
    lowest: float = Field(ge=0, description="mA or rpm at titrate_speed: below this it does not turn")
    highest: float = Field(gt=0, description="above this it is held fast, or something is shorted")

    @model_validator(mode="after")
    def _band(self) -> "StirrerSensor":
        if self.lowest >= self.highest:
            msg = "lowest must lie below highest"
            raise ValueError(msg)
        return self


class StirrerTable(Table):
    drive: DeviceTable
    sensor: StirrerSensor | None = None
    titrate_speed: Fraction = 0.6
    read_speed: Fraction = 0.3


class PhProbe(Table):
    board: DeviceTable
    e7_mv: float = Field(default=0.0, ge=-120, le=120, description="signal in a buffer of pH 7, from calibration")
    e7_u_mv: float = Field(default=5.0, gt=0, le=60)
    slope_percent: float = Field(default=100.0, ge=80, le=110, description="of the Nernst slope, from calibration")
    slope_u_percent: float = Field(default=1.0, gt=0, le=10)
    lag_s: float = Field(default=6.0, gt=0, le=120, description="time constant of the electrode in the stirred vessel")
    noise_mv: float = Field(default=0.3, gt=0, le=20, description="sd of one reading")
    tris_off_ph: float = Field(
        default=0.0, ge=-0.5, le=0.5, description="what pH reads too high in tris, taken off: from check-tris"
    )
    tris_u_ph: float | None = Field(default=None, gt=0, le=0.5, description="none: never held against tris")
    calibrated_on: date | None = Field(default=None, description="date of the calibration; an old one raises an alert")


class Compensation(Table):
    """What the conductivity board does to its value before sending it; undone before salinity."""

    kind: Literal["raw", "linear", "nonlinear"] = "raw"
    alpha_percent_per_k: float = Field(default=2.0, ge=0, le=5)
    reference_c: float = Field(default=25.0, ge=0, le=40)


class ConductivityProbe(Table):
    board: DeviceTable
    compensation: Compensation = Compensation()
    cell_constant_per_cm: float = Field(
        default=1.0, ge=0.3, le=10, description="K of the probe: below 0.3 it cannot resolve seawater's conductivity"
    )
    cell_factor: float = Field(default=1.0, gt=0.5, lt=2.0, description="multiplies the reading, from calibration")
    cell_offset_ms_cm: float = Field(default=0.0, ge=-10, le=10, description="added, from two standards")
    u_percent: float = Field(default=0.5, gt=0, le=10)
    noise_percent: float = Field(default=0.1, gt=0, le=5, description="sd of one reading: how results differ by chance")
    calibrated_on: date | None = Field(default=None, description="date of the calibration; an old one raises an alert")
    dry_ms_cm: float = Field(default=2.0, gt=0, le=20, description="below this the cell is in air")


class TemperatureProbe(Table):
    board: DeviceTable
    offset_k: float = Field(default=0.0, ge=-5, le=5, description="added to the reading, from calibration")
    u_k: float = Field(default=0.2, gt=0, le=2)
    calibrated_on: date | None = Field(default=None, description="date of the calibration; an old one raises an alert")


class Balance(Table):
    """A load cell under the vessel. The sample is weighed, and only differences of the weight are used."""

    board: DeviceTable
    gain: float = Field(default=1.0, gt=0.5, lt=2.0, description="multiplies the reading: reference mass over shown")
    gain_u_percent: float = Field(default=0.05, gt=0, le=5)
    u_g: float = Field(default=0.05, gt=0, le=5, description="standard uncertainty of one weighing against another")


class Probes(Table):
    ph: PhProbe
    conductivity: ConductivityProbe
    temperature: TemperatureProbe
    balance: Balance | None = None


class Switches(Table):
    overfill: DeviceTable
    leak: DeviceTable
    stop: DeviceTable
    waste_full: DeviceTable | None = None


class DrawDown(Table):
    """Fill a little over, then draw down to a tip at a fixed height: the vessel measures the sample, and no pump.

    A pinch valve on the waste line chooses that tip.
    """

    selector: DeviceTable
    tip_mm: float = Field(gt=0, description="height of the tip")
    over_ml: float = Field(default=4.0, gt=0, le=30, description="filled beyond it")
    u_ml: float = Field(default=0.1, gt=0, le=5, description="sd of what is left, from time to time: the meniscus")


class Reference(Table):
    """A water of known alkalinity on an inlet of its own, measured by itself."""

    selector: DeviceTable
    alkalinity_umol_kg: float = Field(ge=100, le=8000)
    u_umol_kg: float = Field(ge=0.01, le=200)
    medium: Literal["seawater", "nacl"] = "seawater"
    lot: str = Field(default="", max_length=80)
    expires: date | None = None
    every_days: float = Field(default=7.0, ge=0.5, le=90)
    times: int = Field(default=3, ge=1, le=6)
    bottle_ml: PositiveMl = 5000.0


class Sample(Table):
    volume_ml: float = Field(gt=20, le=500)
    keep_wet_ml: float = Field(gt=5, le=500, description="fresh sample in which the probes wait for the next run")
    carry_over_umol_kg: float = Field(default=1.0, gt=0, le=20, description="most that residue may carry over")
    dry_out_h: float = Field(default=6.0, gt=0, le=72, description="how long probes may stand without liquid")
    air_break_ml: float = Field(default=1.0, ge=0, le=10, description="drawn back so that the sample line holds air")
    draw_down: DrawDown | None = None
    temperature_u_k: float = Field(
        default=0.5, ge=0, le=10, description="how far line and vessel may differ in temperature while it is metered"
    )


class Water(Table):
    """What is known of the water beside salinity. Salt mixes differ in borate by factors."""

    phosphate_umol_kg: float = Field(default=0.0, ge=0, le=500)
    phosphate_u_umol_kg: float = Field(default=0.0, ge=0, le=500)
    silicate_umol_kg: float = Field(default=0.0, ge=0, le=1000)
    silicate_u_umol_kg: float = Field(default=0.0, ge=0, le=1000)
    borate_ratio: float = Field(default=1.0, ge=0, le=5, description="to that of natural seawater of this salinity")
    borate_ratio_u: float = Field(default=0.3, ge=0, le=5)
    temperature_c: float | None = Field(
        default=None, ge=5, le=40, description="of the tank: pH is then given at it too, beside the vessel's"
    )


class Titration(Table):
    """How far a titration goes; where its readings lie is computed."""

    most_readings: int = Field(default=10, ge=7, le=30, description="for the default method, the first one counted")
    goal_u_umol_kg: float | None = Field(default=None, gt=0, description="uncertainty of the curve that is enough")


class Titrant(Table):
    concentration_mol_per_l: float = Field(gt=0.005, le=0.5)
    concentration_u_percent: float = Field(default=0.5, ge=0, le=10)
    background: Literal["water", "nacl"] = "water"
    bottle_ml: PositiveMl = 1000.0
    tip_discard_ml: float = Field(default=0.3, ge=0, le=5)
    temperature_u_k: float = Field(
        default=1.0, ge=0, le=10, description="how far bottle and vessel may differ in temperature, from time to time"
    )


class Course(Table):
    """Where the titre factor is going, as successive standardisations found; `saltern standardise` keeps it."""

    at: AwareDatetime = Field(description="when titre.factor was found: it goes on from there at its rate")
    u_percent: float = Field(
        gt=0, le=10, description="standard uncertainty of the factor then, without the reference's"
    )
    rate_percent_per_month: float = Field(ge=-50, le=50, description="of 30 days")
    rate_u_percent_per_month: float = Field(ge=0, le=50)
    correlation: float = Field(default=0.0, ge=-1, le=1, description="of factor and rate")
    reference: str = Field(default="", description="which reference: its error is common to all results made with it")
    reference_u_percent: float = Field(default=0.0, ge=0, le=10)


class Titre(Table):
    """The titre factor: what a standardisation says to multiply the result with."""

    factor: float = Field(default=1.0, gt=0.5, lt=2.0)
    u_percent: float | None = Field(default=None, gt=0, le=10, description="none: never standardised")
    drift_percent_per_month: float = Field(
        default=0.2, ge=0, le=10, description="how tubes and titrant may change; widens the uncertainty with its age"
    )
    calibrated_on: date | None = Field(default=None, description="date of the calibration; an old one raises an alert")
    course: Course | None = Field(default=None, description="how the factor moves; none: as it stands, for good")
    scatter_percent: float | None = Field(
        default=None, gt=0, le=10, description="what determinations of one water scatter by, as replicates have shown"
    )
    scatter_freedom: float = Field(default=4.0, gt=2, le=100, description="degrees of freedom of scatter_percent")


class Waste(Table):
    container_ml: PositiveMl = 5000.0
    into: Literal["vented-container", "drain"] = "vented-container"
    siphon_broken: bool = Field(default=False, description="the waste line has a vent hole above the spout")


class Limits(Table):
    titrant_per_run_ml: PositiveMl
    titrant_per_day_ml: PositiveMl
    accept_u_umol_kg: float = Field(default=60.0, gt=0, description="a result less certain than this is not accepted")


Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Schedule(Table):
    """When determinations start. One of `every_h`, `per_day` and `at`; times are local to `time_zone`."""

    every_h: float = Field(default=4.0, ge=0.5, le=168, description="hours from one start to the next")
    start: time | None = Field(default=None, description="with it every_h counts from this time each day anew")
    per_day: int | None = Field(default=None, ge=1, le=48, description="so many a day, evenly from start")
    at: tuple[time, ...] = Field(default=(), description="listed times of day")
    weekdays: tuple[Weekday, ...] = Field(default=(), description="only on these; empty is every day")
    every_days: int = Field(default=1, ge=1, le=31, description="only every n-th day, counted from first_day")
    first_day: date = date(2026, 1, 1)
    quiet: tuple[tuple[time, time], ...] = Field(default=(), description="no start from the one to the other time")
    stagger_min: int = Field(
        default=0, ge=0, le=1440, description="each start comes less than so many minutes later, by the bench's name"
    )
    min_gap_h: float = Field(default=0.0, ge=0, le=168, description="least time from start to start")
    after_dose_min: float = Field(default=30.0, ge=0, le=1440, description="no start so long after a logged dose")
    conditions: tuple[str, ...] = Field(
        default=(), description="that must hold: inputs, or what `saltern condition` says; `not NAME` for the opposite"
    )
    missed: Literal["catch-up", "skip"] = Field(default="catch-up", description="a missed slot is met once, or not")
    time_zone: str = "UTC"

    @property
    def by_interval(self) -> bool:
        """Whether each start follows the last by an interval, and no wall clock has a say."""
        return self.per_day is None and not self.at and self.start is None

    @property
    def starts_per_day(self) -> float:
        """About how many determinations a day comes to, for what runs out when."""
        a_day = float(self.per_day or len(self.at) or 24.0 / self.every_h)
        return a_day * (len(self.weekdays) or 7) / 7.0 / self.every_days

    @property
    def shortest_gap_min(self) -> float:
        """The shortest time from one start to the next that the times ask for, minutes."""
        if not self.at:
            return min(1440.0, 1440.0 / self.per_day if self.per_day else 60.0 * self.every_h)
        minutes = sorted(60 * moment.hour + moment.minute for moment in set(self.at))
        following = [*minutes[1:], minutes[0] + 1440]
        return float(min(later - earlier for earlier, later in zip(minutes, following, strict=True)))

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError) as error:
            msg = f"{name!r} is not a time zone of this machine; for example Europe/Lisbon"
            raise ValueError(msg) from error
        return name

    @model_validator(mode="after")
    def _one_rule(self) -> "Schedule":
        given = [name for name in ("every_h", "per_day", "at") if name in self.model_fields_set and getattr(self, name)]
        if len(given) > 1:
            msg = f"give one of every_h, per_day and at, not {' and '.join(given)}"
            raise ValueError(msg)
        if any(moment.tzinfo is not None for moment in (*self.at, *(t for pair in self.quiet for t in pair))):
            msg = "times of day are local to schedule.time_zone: give them without an offset"
            raise ValueError(msg)
        if self.by_interval and (self.weekdays or self.every_days > 1):
            msg = "weekdays and every_days need a start time: give start, per_day or at"
            raise ValueError(msg)
        if self.by_interval and self.stagger_min:
            msg = "stagger_min moves times of day: give start, per_day or at"
            raise ValueError(msg)
        if self.stagger_min > self.shortest_gap_min:
            msg = f"stagger_min is longer than the {self.shortest_gap_min:g} min from one start to the next: shorten it"
            raise ValueError(msg)
        return self


class Proof(Table):
    every_days: float = Field(default=180.0, gt=0, le=730, description="how often floats and sensors are tried by hand")


class Records(Table):
    path: str = Field(
        default="saltern.sqlite",
        description="in /var/lib/saltern/NAME for an installed bench, else in the bench file's folder",
    )
    keep_curves_days: int | None = Field(
        default=None, ge=30, le=36500, description="accepted ones older than that lose curve and readings; none: never"
    )
    copy_to: str | None = Field(
        default=None, pattern="^/", description="a folder of another disk: each night a checked copy is put there"
    )
    copy_at: time = Field(default=time(3, 30), description="when, in schedule.time_zone; a missed night is made up for")


class Part(Table):
    """A part that wears: when it is due. `saltern part installed NAME` says that a new one is in."""

    life_days: float = Field(gt=0, le=3650)
    pump: PumpRole | None = Field(default=None, description="whose hours and litres count for it: a tube")
    life_hours: float | None = Field(default=None, gt=0, le=10_000, description="of that pump's running")
    life_litres: float | None = Field(default=None, gt=0, le=100_000, description="through that pump")
    settles: Literal["alkalinity", "ph", "salinity"] | None = Field(
        default=None, description="what is provisional while it is new: a line or tube, a pH probe, a cell"
    )


class ServiceTable(Table):
    socket: str | None = Field(
        default=None,
        description="Unix socket for commands; an installed bench has /run/saltern/NAME/saltern.sock, "
        "any other one beside its records, named after the bench",
    )


class Alerts(Table):
    """When the keeper is alerted, beyond what interlocks and results report by themselves."""

    low_dkh: float | None = Field(
        default=None, ge=0, le=30, description="the band; none: that of [tank], where the bench file has one"
    )
    high_dkh: float | None = Field(default=None, ge=0, le=30)
    act_low_dkh: float | None = Field(
        default=None, ge=0, le=30, description="below it the alert asks to act now; none: 1 dKH below the band"
    )
    act_high_dkh: float | None = Field(default=None, ge=0, le=30, description="above it, likewise")
    worse_dkh: float = Field(default=0.5, gt=0, le=10, description="worse by so much, the alert repeats at once")
    jump_dkh: float = Field(
        default=0.5,
        gt=0,
        le=10,
        description="a jump larger than this, and than the tank may change by, raises an alert",
    )
    low_salinity: float | None = Field(default=None, ge=0, le=50)
    high_salinity: float | None = Field(default=None, ge=0, le=50)
    low_ph: float | None = Field(default=None, ge=6, le=10, description="total scale, as results show it")
    high_ph: float | None = Field(default=None, ge=6, le=10)
    change_dkh_per_day: float | None = Field(default=None, gt=0, le=10, description="faster than this, either way")
    most_dkh_per_day: float = Field(
        default=1.0,
        gt=0,
        le=20,
        description="more than this the tank does not change by itself, doses apart: a larger step stays provisional "
        "until something explains it",
    )
    no_result_h: float = Field(default=24.0, gt=0, le=720)
    titrant_days: float = Field(default=3.0, gt=0, le=60)
    waste_part: float = Field(default=0.85, gt=0, le=1, description="of the container's room")
    calibration_days: float = Field(default=90.0, gt=0, le=3650, description="older than this is stale")
    repeat_h: float = Field(default=12.0, gt=0, le=168, description="repeated this often until acknowledged or gone")
    quiet: tuple[tuple[time, time], ...] = Field(default=(), description="in schedule.time_zone; only act-now is sent")
    heartbeat: time | None = Field(default=None, description="a word each day that all is well, or what is not")
    urls_file: str | None = Field(default=None, description="credential: notification addresses, one a line")
    watcher_url_file: str | None = Field(
        default=None, description="credential: an address outside the house that misses us when we fall silent"
    )

    @model_validator(mode="after")
    def _bands_in_order(self) -> "Alerts":
        bands = (
            ("act_low_dkh", "low_dkh", "high_dkh", "act_high_dkh"),
            ("low_salinity", "high_salinity"),
            ("low_ph", "high_ph"),
        )
        for names in bands:
            given = [name for name in names if getattr(self, name) is not None]
            values = [getattr(self, name) for name in given]
            if values != sorted(values):
                msg = f"the limits {', '.join(given)} do not rise in this order"
                raise ValueError(msg)
        return self


FORMER_OUTLETS = ("mqtt", "metrics")
"""Outlets whose tables stood beside the others before they had a table of their own kind; read so for good."""


class BenchConfig(Table):
    """One machine."""

    schema_version: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")
    wires: Literal["gpio", "twin"] = "gpio"
    method: MethodName = Field(default=methods.DEFAULT, description="how the end point is found")
    expected_dkh: float | None = Field(default=None, gt=0, le=25, description="before there is a first result")
    alkalinity_unit: AlkalinityUnit = Field(default=AlkalinityUnit.DKH, description="in which the keeper reads it")
    vessel: Vessel
    pumps: Pumps
    stirrer: StirrerTable
    probes: Probes
    switches: Switches
    inputs: dict[str, DeviceTable] = Field(
        default={}, description="further switches by name, for schedule.conditions; holds while its circuit is open"
    )
    parts: dict[str, Part] = Field(default={}, description="parts that wear, by name")
    sample: Sample
    titrant: Titrant
    titration: Titration = Titration()
    water: Water = Water()
    titre: Titre = Titre()
    tank: TankTable | None = None
    waste: Waste = Waste()
    reference: Reference | None = None
    limits: Limits
    schedule: Schedule = Schedule()
    proof: Proof = Proof()
    records: Records = Records()
    service: ServiceTable = ServiceTable()
    outlets: dict[str, dict[str, Any]] = Field(
        default={}, description="where results and alerts go, by name; each outlet has its own options"
    )
    alerts: Alerts = Alerts()

    @model_validator(mode="before")
    @classmethod
    def _earlier_spellings(cls, table: Any) -> Any:
        """Take [mqtt] and [metrics] of 0.1.0 as the tables of those outlets."""
        if not isinstance(table, dict) or not any(name in table for name in FORMER_OUTLETS):
            return table
        outlets = dict(table.get("outlets", {}))
        for name in FORMER_OUTLETS:
            if name in table and name in outlets:
                msg = f"[{name}] and [outlets.{name}] are the same table: keep the second"
                raise ValueError(msg)
            if name in table:
                outlets[name] = table[name]
        return {**{key: value for key, value in table.items() if key not in FORMER_OUTLETS}, "outlets": outlets}

    @model_validator(mode="after")
    def _everything_fits(self) -> "BenchConfig":
        vessel = self.vessel
        switch_ml = vessel.volume_at_ml(vessel.overfill_switch_mm)
        cell_ml = vessel.volume_at_ml(vessel.conductivity_tip_mm)
        sample_ml = (self.sample.volume_ml + self.sample.air_break_ml) * (1 + 0.03 * self.pumps.sample.gain_u_percent)
        titrant_ml = self.limits.titrant_per_run_ml * (1 + 0.03 * self.pumps.titrant.gain_u_percent)
        highest_ml = cell_ml + sample_ml + titrant_ml
        if highest_ml > 0.99 * switch_ml:
            msg = (
                f"what a drain may leave below the conductivity cell ({cell_ml:.0f} mL), the sample and the titrant "
                f"ceiling come to {highest_ml:.0f} mL, and the overfill float acts at {switch_ml:.0f} mL: lower "
                "sample.volume_ml, limits.titrant_per_run_ml or the cell, or raise the float"
            )
            raise ValueError(msg)
        if self.sample.keep_wet_ml > self.sample.volume_ml:
            msg = "sample.keep_wet_ml need not be larger than sample.volume_ml"
            raise ValueError(msg)
        wet_ml = vessel.volume_at_ml(max(vessel.ph_tip_mm, vessel.conductivity_tip_mm))
        if self.sample.keep_wet_ml < 1.1 * wet_ml:
            msg = (
                f"sample.keep_wet_ml must cover the probes' tips: at least {1.1 * wet_ml:.0f} mL in this vessel, or "
                "no drain could be proved"
            )
            raise ValueError(msg)
        draw_down = self.sample.draw_down
        if draw_down is not None:
            tip_ml = vessel.volume_at_ml(draw_down.tip_mm)
            if abs(tip_ml - self.sample.volume_ml - vessel.residue_ml) > 0.02 * tip_ml:
                msg = (
                    f"sample.draw_down.tip_mm leaves {tip_ml:.1f} mL in this vessel: sample.volume_ml must be what is "
                    f"left of that beside the residue, {tip_ml - vessel.residue_ml:.1f} mL, within 2 %"
                )
                raise ValueError(msg)
            if highest_ml + draw_down.over_ml > 0.99 * switch_ml:
                msg = "sample.draw_down.over_ml does not fit below the float with the sample and the titrant ceiling"
                raise ValueError(msg)
        if self.sample.volume_ml < vessel.volume_at_ml(vessel.titrant_tip_mm):
            msg = (
                f"sample.volume_ml leaves the titrant tip in the air: it dips at "
                f"{vessel.volume_at_ml(vessel.titrant_tip_mm):.0f} mL"
            )
            raise ValueError(msg)
        return self
