"""The sections of a report as HTML: each says its figures in the site's units, and what they rest on."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from calc.reboiler import CHANGE_INTERVAL, DEGRADATION_TEMPERATURE, RECOMMENDED_MAXIMUM_TEMPERATURE
from config.quantities import SIGNAL_KINDS, Quantity
from config.site import DehydrationUnit, Site
from config.units import DisplayUnit, shown_unit
from daemon.history_output import Wording
from daemon.model import AlarmTransition, Event, OperatingState, Quality
from daemon.monitor.alarms.performance import performance, verdicts
from daemon.monitor.entries import LAB_SAMPLE
from daemon.replay import Occurrence
from daemon.report.economy import Economy
from daemon.report.figures import GAPS, Figures, Series
from daemon.report.plots import Frame, Line, Mark, histogram, trend

DAY, HOUR = 86400.0, 3600.0
GALLON, CUBIC_FOOT, POUND = 3.785411784e-3, 0.028316846592, 0.45359237


@dataclass(frozen=True, slots=True)
class Subject:
    """All that the sections speak of."""

    site: Site
    unit: DehydrationUnit
    wording: Wording
    figures: Figures
    economy: Economy
    transitions: Sequence[AlarmTransition]
    occurrences: Sequence[Occurrence]
    titles: dict[str, str]
    log_book: Sequence[Event] = ()
    """Lab samples, maintenance work and what they did to the calculated purity, by when it happened."""
    gas_price: float | None = None
    """Worth of gas, in the site's currency for 1000 standard cubic feet (us) or a standard m3 (si)."""

    @property
    def us(self) -> bool:
        """Whether the site shows US field units."""
        return self.site.site.unit_system == "us"

    def shown(self, quantity: Quantity) -> DisplayUnit:
        """Return how a quantity is shown."""
        assert self.wording.units is not None  # noqa: S101 - a report always has a site
        return self.wording.units[quantity]

    def time(self, time: float) -> str:
        """Write a moment in the site's time zone, to the second."""
        return self.wording.time(float(round(time))).replace("T", " ")

    def glycol(self, volume: float | None) -> str:
        """Write a volume of glycol."""
        if volume is None:
            return "not known"
        return f"{volume / GALLON:,.0f} gal" if self.us else f"{volume:,.2f} m³"

    def gas(self, volume: float | None) -> str:
        """Write a volume of gas and, where its price is given, its worth."""
        if volume is None:
            return "not known"
        amount = volume / CUBIC_FOOT / 1000.0 if self.us else volume
        text = f"{amount:,.1f} Mscf" if self.us else f"{amount:,.0f} Sm³"
        return text if self.gas_price is None else f"{text}, worth {amount * self.gas_price:,.0f}"

    def mass(self, mass: float | None) -> str:
        """Write a mass."""
        if mass is None:
            return "not known"
        return f"{mass / POUND:,.0f} lb" if self.us else f"{mass:,.0f} kg"

    def value(self, series: Series | None, value: float | None) -> str:
        """Write a value of a series with its unit."""
        return (
            "not known" if series is None or value is None else self.wording.unit(series.column).format(value)
        )


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], kind: str = "") -> str:
    """Write a table; cells after the first are numbers and stand to the right."""
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<table class="{kind}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def hours(seconds: float) -> str:
    """Write a time as hours, or minutes where it is short."""
    return f"{seconds / HOUR:,.1f} h" if seconds >= HOUR or seconds == 0.0 else f"{seconds / 60.0:.1f} min"


def share(part: float, whole: float) -> str:
    """Write a share in percent."""
    return f"{100.0 * part / whole:.1f} %" if whole > 0.0 else "-"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def summary(about: Subject) -> str:
    """Write the figures that a reader looks for first."""
    found, money = about.figures, about.economy
    drying, span = found.states[OperatingState.DRYING], found.end - found.begin
    margin, lean = found.result("dew_point_margin"), found.result("lean_mass_fraction")
    reboiler = found.signal("reboiler_temperature")
    figures = performance(about.transitions, found.begin, found.end)
    unknown = f"; margin unknown for {hours(found.margin_unknown)}" if found.margin_unknown else ""
    rows = [
        ("Drying gas", f"{hours(drying)} of {hours(span)}, {share(drying, span)}"),
        ("Wetter than the limit while drying", f"{hours(found.over_limit)}{unknown}"),
        ("Dew-point margin, mean and lowest", _mean_and(about, margin, "lowest")),
        ("Lean glycol, mean and lowest", _mean_and(about, lean, "lowest")),
        ("Reboiler, mean and highest", _mean_and(about, reboiler, "highest")),
        (
            "Glycol circulated",
            f"{about.glycol(money.circulated)}, of it beyond need {about.glycol(money.excess)}",
        ),
        ("Drive gas of the pump", about.gas(money.drive_gas)),
        ("Alarms", f"{figures.annunciations}, {figures.per_day:.1f} a day"),
        ("Scans stored", f"{found.scans:,}, covering {share(found.covered, span)} of the time"),
    ]
    return f"<h2>In short</h2>{table(('', ''), rows, 'facts')}"


def _mean_and(about: Subject, series: Series | None, which: str) -> str:
    if series is None or series.average is None:
        return "not known"
    extreme = series.lowest if which == "lowest" else series.highest
    return f"{about.value(series, series.average)}, {about.value(series, extreme)}"


def trends(about: Subject, frame: Frame) -> str:
    """Draw what moved."""
    found, reboiler = about.figures, about.unit.reboiler
    plots = [
        _plot(about, frame, "Dew-point margin", ["dew_point_margin"], [("limit", 0.0)], "dew_point"),
        _plot(about, frame, "Lean glycol", ["lean_mass_fraction"]),
        _plot(
            about, frame, "Reboiler temperature", ["reboiler_temperature"],
            [("set point", reboiler.set_point), ("TEG breaks down", DEGRADATION_TEMPERATURE)], "reboiler",
        ),
        _plot(about, frame, "Circulation", ["circulation_rate", "required_circulation_rate"]),
        _plot(about, frame, "Stroke rate", ["stroke_rate"], _stall(found), "pump"),
        _plot(about, frame, "Gas rate", ["gas_rate"]),
    ]  # fmt: skip
    note = (
        "<p>Lines are means, bands reach from lowest to highest. Red strips above a plot are times of its "
        "alarms. Where a line is missing, no usable value was stored.</p>"
    )
    return f"<h2>Trends</h2>{''.join(plots)}{note}"


def _stall(found: Figures) -> list[tuple[str, float]]:
    stall = found.result("accepted_stall_rate")
    return [] if stall is None or stall.last is None else [("stall rate that counts", stall.last)]


def _plot(
    about: Subject,
    frame: Frame,
    title: str,
    names: Sequence[str],
    marks: Sequence[tuple[str, float]] = (),
    alarms: str = "",
) -> str:
    found = about.figures
    series = [each for name in names if (each := found.result(name) or found.signal(name)) is not None]
    if not series:
        return ""
    unit = about.wording.unit(series[0].column)
    show: Callable[..., object] = unit.conversion.from_si
    words = {"circulation_rate": "pumped", "required_circulation_rate": "needed for the limit"}
    lines = [
        Line(
            words.get(each.column.name, ""),
            show(each.mean),  # type: ignore[arg-type]  # arithmetic on arrays
            show(each.low) if len(series) == 1 else None,  # type: ignore[arg-type]  # as above
            show(each.high) if len(series) == 1 else None,  # type: ignore[arg-type]  # as above
        )
        for each in series
    ]
    spans = [(one.begin, one.end) for one in about.occurrences if alarms and one.alarm.startswith(alarms)]
    levels = [Mark(f"{label} {unit.format(value)}", unit.conversion.from_si(value)) for label, value in marks]
    return trend(title, unit.symbol, frame, lines, levels, spans)


def circulation(about: Subject) -> str:
    """Write what circulation cost."""
    found, money = about.figures, about.economy
    ratio = found.result("circulation_ratio")
    rows = [
        ("Glycol circulated", about.glycol(money.circulated), f"known for {hours(money.circulated_seconds)}"),
        (
            "Circulation ratio, mean",
            about.value(ratio, ratio.average if ratio else None),
            "2 to 5 gal/lb is usual" if about.us else "17 to 42 L/kg is usual",
        ),
        (
            "Pumped beyond what the limit needed",
            about.glycol(money.excess),
            f"known for {hours(found.excess_known)}",
        ),
        ("Drive gas", about.gas(money.drive_gas), f"known for {hours(money.seconds)}"),
        ("Methane in the drive gas", about.mass(money.methane), "at 90 mol% methane"),
        ("Drive gas for what was beyond need", about.gas(money.excess_drive_gas), ""),
        (
            "Fuel for what was beyond need",
            about.gas(money.excess_fuel),
            "sensible heat only, 70 % efficient burner",
        ),
    ]
    note = (
        "<p>Drive gas is calculated from the balance of the pump's work, not measured; ±40 % is honest for a "
        "pump of unknown condition. Need is the rate that would just have met the limit: a unit is run above "
        "it, by a margin that is the site's to choose. Where a flash separator returns gas to fuel, only the "
        "rest is lost.</p>"
    )
    if about.unit.pump_in_service.drive != "energy exchange":
        note = "<p>The pump in service is not driven by gas: no drive gas.</p>"
    return f"<h2>Circulation</h2>{table(('', 'amount', 'basis'), rows, 'amounts')}{note}"


def glycol(about: Subject) -> str:
    """Write what heat did to the glycol, and how much of it there is."""
    found = about.figures
    unit = about.shown(Quantity.TEMPERATURE)
    plot = ""
    if found.reboiler_seconds:
        shown = {unit.conversion.from_si(key / 10.0): time for key, time in found.reboiler_seconds.items()}
        edges, heights = _bins(shown, 5.0 if about.us else 2.0)
        marks = [
            Mark("set point", unit.conversion.from_si(about.unit.reboiler.set_point)),
            Mark("recommended maximum", unit.conversion.from_si(RECOMMENDED_MAXIMUM_TEMPERATURE)),
            Mark("TEG breaks down", unit.conversion.from_si(DEGRADATION_TEMPERATURE)),
        ]
        plot = histogram("Reboiler temperature", unit.symbol, edges, heights, marks)
    exposure = found.exposure
    rows = [
        ("Time with a known temperature", hours(exposure.time)),
        (f"Above {unit.format(RECOMMENDED_MAXIMUM_TEMPERATURE)}", hours(exposure.time_above_recommended)),
        (f"Above {unit.format(DEGRADATION_TEMPERATURE)}", hours(exposure.time_above_degradation)),
        ("Same as so long at the recommended maximum", hours(exposure.equivalent_time)),
        (
            f"Share of a glycol change interval of {CHANGE_INTERVAL[1] / DAY / 30.44:.0f} months used up",
            f"{100.0 * exposure.used_interval:.2f} %",
        ),
    ]
    for name in ("surge_level", "reboiler_level"):
        level = found.signal(name)
        if level is not None and level.first is not None and level.last is not None:
            change = (level.last - level.first) * 100.0
            first, last = about.value(level, level.first), about.value(level, level.last)
            text = f"{first} to {last} ({change:+.1f} points)"
            rows.append((f"{_capital(SIGNAL_KINDS[name].description)}, first to last", text))
    note = (
        "<p>Bulk temperature: the skin of the firetube is hotter, and oxygen, acid and salt do as much harm. "
        "Oil analysis rules. Levels move with temperature and circulation; a loss shows over days at the "
        "same state.</p>"
    )
    return f"<h2>Glycol and reboiler</h2>{plot}{table(('', ''), rows, 'facts')}{note}"


def _bins(seconds: Mapping[float, float], width: float) -> tuple[list[float], list[float]]:
    """Put seconds by value into bins of a width; return edges and hours."""
    first = math.floor(min(seconds) / width)
    count = math.floor(max(seconds) / width) - first + 1
    heights = [0.0] * count
    for value, time in seconds.items():
        heights[math.floor(value / width) - first] += time / HOUR
    return [(first + number) * width for number in range(count + 1)], heights


def strokes(about: Subject) -> str:
    """Write how the pump ran."""
    found = about.figures
    rate = found.result("stroke_rate")
    if rate is None or rate.average is None:
        return "<h2>Pump</h2><p>No usable stroke rate was stored.</p>"
    edges, heights = _bins({float(key): time for key, time in found.stroke_seconds.items()}, 1.0)
    stall = found.result("accepted_stall_rate")
    marks = [Mark("maximum", 60.0 * about.unit.pump_in_service.maximum_rate)]
    if stall is not None and stall.last is not None:
        marks.insert(0, Mark("stall rate that counts", 60.0 * stall.last))
    still, irregular = found.result("time_since_stroke"), found.result("stroke_irregularity")
    standing = found.stroke_seconds.get(0, 0.0)
    rows = [
        (
            "Mean, lowest, highest",
            ", ".join(about.value(rate, one) for one in (rate.average, rate.lowest, rate.highest)),
        ),
        ("Strokes", f"{rate.integral:,.0f} in {hours(rate.known)}"),
        ("Below one stroke a minute", hours(standing)),
        ("Below the stall rate that counts, while drying", hours(found.below_stall)),
        (
            "Longest time without a stroke",
            "not known" if still is None or not still.known else hours(still.highest),
        ),
        (
            "Irregularity of the strokes, mean",
            "not known"
            if irregular is None or irregular.average is None
            else f"{100 * irregular.average:.1f} %",
        ),
    ]
    plot = histogram("Stroke rate", shown_unit("strokes/min"), edges, heights, marks)
    return f"<h2>Pump {escape(about.unit.pump_in_service.name)}</h2>{plot}{table(('', ''), rows, 'facts')}"


def alarms(about: Subject) -> str:
    """Write which alarms came, and how well they served."""
    found = about.figures
    figures = performance(about.transitions, found.begin, found.end)
    verdict_rows = [
        (each.figure, f"{each.value:.3g}", each.target, each.judgement.value) for each in verdicts(figures)
    ]
    counts: dict[str, list[Occurrence]] = {}
    for one in about.occurrences:
        counts.setdefault(one.alarm, []).append(one)
    alarm_rows = [
        (
            about.titles.get(name, name),
            own[0].priority.value,
            str(len(own)),
            hours(sum(one.duration for one in own)),
            hours(max(one.duration for one in own)),
        )
        for name, own in sorted(counts.items(), key=lambda item: (-len(item[1]), item[0]))
    ]
    listed = "<p>No alarm was shown in this time.</p>"
    if alarm_rows:
        listed = table(("alarm", "priority", "times", "lasted in all", "longest"), alarm_rows, "alarms")
    short = (
        "" if figures.long_enough else "<p>The standard asks for at least 30 days; less shows a tendency.</p>"
    )
    return (
        f"<h2>Alarms</h2>{listed}<h3>Against the targets of ISA-18.2</h3>"
        f"{table(('figure', 'value', 'target', ''), verdict_rows, 'verdicts')}{short}"
    )


def log_book(about: Subject) -> str:
    """Write what people entered: samples of the laboratory and work on the unit."""
    rows = [
        (about.time(happened(entry)), _capital(entry.message), str(entry.data.get("actor") or ""))
        for entry in about.log_book
    ]
    listed = "<p>No sample and no work was entered for this time.</p>"
    if rows:
        listed = table(("when", "what", "entered by"), rows, "log-book")
    return f"<h2>Samples and maintenance</h2>{listed}"


def happened(entry: Event) -> float:
    """Return when a sample was drawn or work was done, which may be long before it was entered [POSIX s]."""
    time = entry.data.get("taken" if entry.kind == LAB_SAMPLE else "done")
    return float(time) if isinstance(time, int | float) else entry.time


def availability(about: Subject) -> str:
    """Write how far the data can be trusted."""
    found, time = about.figures, about.time
    span = found.end - found.begin
    rows = []
    for series in found.signals():
        seconds = series.seconds
        kind = SIGNAL_KINDS.get(series.column.name)
        rows.append(
            (
                _capital(kind.description) if kind else series.column.name,
                *(share(seconds[quality], span) for quality in Quality),
                share(max(0.0, span - sum(seconds.values())), span),
            )
        )
    states = [(state.value, hours(own), share(own, span)) for state, own in found.states.items() if own]
    gaps = [(time(gap.begin), time(gap.end), hours(gap.end - gap.begin)) for gap in found.gaps[:GAPS]]
    more = f"<p>and {len(found.gaps) - GAPS} shorter gaps</p>" if len(found.gaps) > GAPS else ""
    listed = table(("longest gaps from", "to", "for"), gaps, "gaps") + more if gaps else "<p>No gaps.</p>"
    return (
        "<h2>Data</h2>"
        f"{table(('signal', 'good', 'uncertain', 'bad', 'not stored'), rows, 'quality')}"
        f"{table(('operating state', 'time', 'share'), states, 'states')}{listed}"
    )
