"""A drive of an invented car, to be written with headers and units of any kind."""

from typing import Any, Final, NamedTuple

import numpy as np

AIR_KPA: Final = 101.3


class Drive(NamedTuple):
    """Times (s), and by channel its readings in the channel's own unit; ``coolant_c`` besides."""

    time_s: Any
    by_channel: dict[str, Any]


def drive(
    rate_hz: float = 50.0,
    pulls: int = 3,
    seed: int = 1,
    top_kpa: float = 150.0,
    full_ml_min: float = 420.0,
    law: str = "boost",
) -> Drive:
    """Return an invented turbo four's drive: idle, cruise, pulls, spray by a law, healthy."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 20.0 + 14.0 * pulls, 1.0 / rate_hz)
    n = len(time_s)
    phase = (time_s - 14.0) % 14.0
    pulling = (time_s > 14.0) & (phase < 7.0) & (time_s < 14.0 * (pulls + 1))
    cruise = (time_s > 6.0) & ~pulling
    ramp = np.clip(phase / 1.2, 0.0, 1.0)
    want_kpa = np.where(pulling, -45.0 + (top_kpa + 45.0) * ramp, np.where(cruise, -48.0, -66.0))
    boost = _lagged(want_kpa, time_s, 0.25) + rng.normal(0.0, 0.8, n)
    want_rpm = np.where(pulling, 2600.0 + 560.0 * phase, np.where(cruise, 2500.0, 880.0))
    rpm = _lagged(want_rpm, time_s, 0.3) + rng.normal(0.0, 8.0, n)
    throttle = np.where(pulling, 99.0, np.where(cruise, 17.0, 3.0)) + rng.normal(0.0, 0.2, n)
    rich = np.clip(1.0 - 0.0014 * np.clip(boost, 0.0, None), 0.78, 1.0)
    duty = 4.2e-5 * rpm * (boost + AIR_KPA) / rich + 100.0 * 1e-3 * rpm / 120.0
    match law:
        case "boost":
            share = np.clip((boost - 55.0) / 80.0, 0.0, 1.0)
        case "fixed":
            share = (boost > 60.0).astype(float)
        case _:
            share = np.where(boost > 50.0, np.clip((duty - 25.0) / 45.0, 0.0, 1.0), 0.0)
    commanded = share * full_ml_min
    late = np.interp(time_s - 0.08, time_s, commanded)
    noise = 1.0 + 0.03 * rng.normal(0.0, 1.0, n)
    delivered = np.clip(_lagged(late, time_s, 0.1) * noise, 0.0, None)
    intake = 31.0 + _lagged(np.clip(boost, 0, None) * 0.16 - 12.0 * share, time_s, 0.8)
    return Drive(
        time_s,
        {
            "engine_speed_rpm": rpm,
            "boost_kpa": boost,
            "injector_duty_pct": duty,
            "intake_c": intake + rng.normal(0.0, 0.3, n),
            "knock": np.clip(rng.normal(-1.0, 0.7, n), 0.0, None),
            "commanded_ml_min": commanded,
            "command_pct": 100.0 * share,
            "delivered_ml_min": delivered,
            "timing_deg": np.where(pulling, 14.0, 32.0) + rng.normal(0.0, 0.4, n),
            "lambda_ratio": rich + rng.normal(0.0, 0.01, n),
            "throttle_pct": throttle,
            "tank_ml": 4200.0 - np.cumsum(delivered) / 60.0 / rate_hz,
            "line_kpa": np.where(share > 0.0, 600.0 + 350.0 * share, 5.0) + rng.normal(0, 9, n),
            "supply_v": 13.9 - 0.6 * share + rng.normal(0.0, 0.04, n),
            "dry_intake_c": 31.0 + _lagged(np.clip(boost, 0, None) * 0.16, time_s, 0.8),
            "tank_switch": np.zeros(n),
            "coolant_c": 88.0 + rng.normal(0.0, 0.2, n),
        },
    )


def _lagged(values: Any, time_s: Any, lag_s: float) -> Any:
    """Return values behind a lag of first order."""
    keep = float(np.exp(-(time_s[1] - time_s[0]) / lag_s))
    out = np.empty(len(values))
    last = float(values[0])
    for i, value in enumerate(values.tolist()):
        last = keep * last + (1.0 - keep) * value
        out[i] = last
    return out
