"""What the site file says of a signal, in SI, with the defaults filled in."""

from __future__ import annotations

import math

import pytest

from config.errors import ConfigError
from daemon.monitor.specs import SignalSpec, signal_specs
from tests.daemon.monitor.plant import make_site

FLOAT = 'type = "float32", unit = "psig", range = [0, 1000]'
STAMPED = 'controller = "broker", topic = "t", payload = "csv", path = "1", time_path = "2", unit = "degF"'
PSI = 6894.757293168361  # Pa, from the international pound and inch (NIST SP 811, appendix B.9)


def spec(name: str, keys: str) -> SignalSpec:
    site, unit = make_site({name: keys})
    return signal_specs(site, unit)[name]


def test_ranges_are_si_and_widened_for_the_gross_range() -> None:
    found = spec("flash_pressure", FLOAT)
    assert found.range == pytest.approx((101325.0, 101325.0 + 1000 * PSI))
    assert found.gross == pytest.approx((101325.0 - 25 * PSI, 101325.0 + 1025 * PSI))
    assert found.spike == pytest.approx(100 * PSI)
    assert (found.rate_limit, found.flat_line, found.resolution, found.uncertainty) == (None,) * 4


def test_own_thresholds_are_differences_not_gauge_pressures() -> None:
    checks = 'checks = { rate_of_change = 5, spike = 50, flat_line = "10 min", gross_range = [-10, 1100] }'
    found = spec("flash_pressure", f"{FLOAT}, resolution = 0.1, uncertainty = 2.5, {checks}")
    assert found.rate_limit == pytest.approx(5 * PSI)
    assert found.spike == pytest.approx(50 * PSI)
    assert found.flat_line == 600.0
    assert found.gross == pytest.approx((101325.0 - 10 * PSI, 101325.0 + 1100 * PSI))
    assert found.resolution == pytest.approx(0.1 * PSI)
    assert found.uncertainty == pytest.approx(2.5 * PSI)


def test_whole_numbers_have_the_resolution_of_their_scale() -> None:
    found = spec("still_top_temperature", 'type = "int16", unit = "degF", scale = 0.1')
    assert found.resolution == pytest.approx(0.1 * 5 / 9)


@pytest.mark.parametrize(
    ("keys", "period", "stamped"),
    [
        ('type = "float32", unit = "degF"', 1.0, False),
        ('type = "float32", unit = "degF", scan_class = "slow"', 30.0, False),
        ('controller = "broker", topic = "t", unit = "degF"', 1.0, False),
        ('controller = "broker", topic = "t", unit = "degF", expected_period = "5 s"', 5.0, False),
        (
            STAMPED,
            1.0,
            True,
        ),
    ],
)
def test_period_and_stamp(keys: str, period: float, *, stamped: bool) -> None:
    found = spec("still_top_temperature", keys)
    assert (found.period, found.has_source_time) == (period, stamped)


@pytest.mark.parametrize(
    ("keys", "modulus"),
    [
        ('type = "uint16"', 2.0**16),
        ('type = "uint32"', 2.0**32),
        ('type = "bcd16"', 1e4),
        ('type = "uint32", counter_bits = 16', 2.0**16),
        ('type = "uint16", scale = 10.0', 10 * 2.0**16),
        ('controller = "broker", topic = "t", counter_bits = 16', 2.0**16),
    ],
)
def test_where_a_counter_rolls_over(keys: str, modulus: float) -> None:
    assert spec("stroke_count", keys).counter_modulus == modulus


def test_states_and_counts_are_not_checked_for_jumps() -> None:
    found = spec("controller_heartbeat", 'type = "uint16", range = [0, 100], checks = { flat_line = "1 s" }')
    assert found.is_heartbeat
    assert (found.spike, found.flat_line) == (None, None)
    assert not spec("burner_on", 'type = "bool", bit = 0').is_heartbeat


def test_values_are_shown_as_the_site_file_writes_them() -> None:
    found = spec("flash_pressure", FLOAT)
    assert found.show(101325.0 + 50 * PSI) == "50 psig"
    assert found.show_difference(-50 * PSI) == "-50 psig"
    assert found.possible[1] < math.inf


def test_a_register_cannot_be_a_pulse() -> None:
    with pytest.raises(ConfigError, match="stroke_pulse is a message once a stroke"):
        spec("stroke_pulse", 'type = "bool", bit = 0')
    assert spec("stroke_pulse", 'controller = "broker", topic = "t"').comes_with_events


def test_the_main_signals_are_watched_for_a_frozen_value_unless_the_site_says_otherwise() -> None:
    site, unit = make_site()
    specs = signal_specs(site, unit)
    assert specs["reboiler_temperature"].flat_line == 1800.0
    assert specs["gas_rate"].flat_line is None
    own = 'type = "float32", unit = "degF", checks = { flat_line = "2 h" }'
    site, unit = make_site({"reboiler_temperature": own})
    assert signal_specs(site, unit)["reboiler_temperature"].flat_line == 7200.0
