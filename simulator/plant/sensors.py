"""From the true state to what the log says: lag, gain, noise, quantisation, damaged values."""

from math import nan
from typing import Final

from rules.channels import CHANNEL_NAMES, NOT_SENT, Sample
from simulator.plant.noise import Coloured, Normal, Uniform

FLOW_CORRELATION_S: Final = 0.05
BOOST_FILTER_S: Final = 0.01
THERMISTOR_S: Final = 0.3
_BOOST_KPA: Final = 0.7
_SPEED_RPM: Final = 6.0
_THERMISTOR_K: Final = 0.08
_SUPPLY_V: Final = 0.03
_LINE_KPA: Final = 4.0
_LAMBDA: Final = 0.004
# Decimals of each channel as it is sent: a float with few decimals is its own shortest text.
DECIMALS: Final = {
    "engine_speed_rpm": 0,
    "boost_kpa": 1,
    "injector_duty_pct": 1,
    "intake_c": 1,
    "knock": 1,
    "commanded_ml_min": 0,
    "command_pct": 1,
    "delivered_ml_min": 0,
    "timing_deg": 1,
    "lambda_ratio": 3,
    "throttle_pct": 1,
    "tank_ml": 0,
    "line_kpa": 0,
    "supply_v": 2,
    "dry_intake_c": 1,
    "confirmed_retard_deg": 1,
    "confirmed_ceiling_kpa": 1,
}


class Sensors:
    """The sensors of one car, sampled at one rate.

    Args:
        seed: Seed of the run.
        first_stream: First of ten noise streams this object may use.
        dt_s: Time between samples, seconds.
        gain: Flow sensor's reading over the true flow, about 1.
        noise_share: Standard deviation of the flow reading's noise over the reading.
        mapped: Channels the rig maps; the others are not sent.
    """

    __slots__ = (
        "_boost",
        "_columns",
        "_flow",
        "_gain",
        "_held_flow",
        "_line",
        "_noise_share",
        "_other",
        "_pick",
        "_speed",
    )

    def __init__(
        self,
        seed: int,
        first_stream: int,
        dt_s: float,
        gain: float,
        noise_share: float,
        mapped: frozenset[str],
    ) -> None:
        self._flow = Coloured(seed, first_stream, FLOW_CORRELATION_S, dt_s)
        self._boost = Coloured(seed, first_stream + 1, BOOST_FILTER_S, dt_s)
        self._speed = Normal(seed, first_stream + 2)
        self._other = Normal(seed, first_stream + 3)
        self._line = Coloured(seed, first_stream + 4, 0.03, dt_s)
        self._pick = Uniform(seed, first_stream + 5)
        self._gain = gain
        self._noise_share = noise_share
        self._held_flow = 0.0
        self._columns = tuple((name in mapped, DECIMALS[name]) for name in CHANNEL_NAMES)

    @property
    def boost_error_kpa(self) -> float:
        """The boost sensor's error in the last sample, kPa (the spray controller shares it)."""
        return _BOOST_KPA * self._boost.value

    def read(
        self, time_s: float, true: dict[str, float], stuck: bool, noise_share: float
    ) -> Sample:
        """Return what the sensors say.

        Args:
            time_s: Time of the sample, seconds.
            true: Value of every channel behind its sensor's lag, before noise.
            stuck: Whether the flow reading is frozen.
            noise_share: Share of samples with one damaged value.
        """
        true["boost_kpa"] += _BOOST_KPA * self._boost.draw()
        true["engine_speed_rpm"] += _SPEED_RPM * self._speed.draw()
        flow = true["delivered_ml_min"] * self._gain
        flow = max(0.0, flow * (1.0 + self._noise_share * self._flow.draw()))
        other = self._other
        true["intake_c"] += _THERMISTOR_K * other.draw()
        true["dry_intake_c"] += _THERMISTOR_K * other.draw()
        true["supply_v"] += _SUPPLY_V * other.draw()
        true["lambda_ratio"] += _LAMBDA * other.draw()
        true["line_kpa"] = max(0.0, true["line_kpa"] + _LINE_KPA * self._line.draw())
        if stuck:
            flow = self._held_flow
        self._held_flow = flow
        true["delivered_ml_min"] = flow
        values = [
            round(true[name], decimals) + 0.0 if sent else NOT_SENT  # + 0.0: no minus zero
            for name, (sent, decimals) in zip(CHANNEL_NAMES, self._columns, strict=True)
        ]
        if noise_share > 0.0 and self._pick.draw() < noise_share:
            self._damage(values)
        return Sample(time_s, *values)

    def _damage(self, values: list[float]) -> None:
        """Spoil one value: a third each of spikes, NaN and silence."""
        sent = [i for i, value in enumerate(values) if value != NOT_SENT]
        if not sent:
            return
        i = sent[int(self._pick.draw() * len(sent))]
        how = self._pick.draw()
        size = self._pick.draw()
        if how < 1 / 3:
            spike = values[i] * (0.0 if size < 0.5 else 1.0 + 2.0 * size)
            values[i] = round(spike, self._columns[i][1]) + 0.0
        elif how < 2 / 3:
            values[i] = nan
        else:
            values[i] = NOT_SENT
