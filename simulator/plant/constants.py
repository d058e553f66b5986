"""The constants of one car and its day; ``simulator.plant.sizing`` and ``tuning`` fill them in."""

from dataclasses import dataclass
from typing import Final

from rules.channels import CHANNEL_NAMES
from rules.record import Record, block

MOST_GEARS: Final = 8
MOST_PAID: Final = 32
MOST_MAP: Final = 32
N_TUNE_BOOST: Final = 7
N_TUNE_SPEED: Final = 5


@dataclass(slots=True)
class Constants(Record):
    """What does not change while a car drives. Pressures are absolute unless their line says so."""

    dt_s: float = 0.0  # internal step
    sample_s: float = 0.0  # between two rows
    substeps: int = 0  # internal steps a sample
    ambient_kpa: float = 0.0
    ambient_c: float = 0.0
    humidity_kg_kg: float = 0.0  # vapour, kg per kg of dry air

    # engine
    displacement_m3: float = 0.0
    cylinders: float = 0.0
    redline_rpm: float = 0.0
    volumetric_efficiency: float = 0.0
    compression: float = 0.0  # ratio
    petrol_octane: float = 0.0
    peak_kpa: float = 0.0  # boost the engine is tuned to, gauge
    full_air_kg_s: float = 0.0  # air at full boost and redline
    manifold_m3: float = 0.0
    pipe_m3: float = 0.0
    throttle_m2: float = 0.0  # wide open
    injectors_kg_s: float = 0.0  # all of them, always open
    dead_time_ms: float = 0.0  # of an injector
    rich_petrol: float = 0.0  # petrol at full load over stoichiometric: 1 / lambda
    load_from_kpa: float = 0.0  # boost from which petrol is enriched, gauge
    load_span_kpa: float = 60.0  # from there to full load
    knock_from_kpa: float = 0.0  # boost below which no combustion is followed, gauge
    most_knock_deg: float = 0.0  # authority of the controller's knock retard
    in_cylinder: float = 0.0  # share of liquid there that cools gas and not metal

    # charger
    charger: int = 0  # as ``rules.facts.Charger``
    head: float = 0.0  # isentropic rise over inlet temperature at design speed
    choke_kg_s: float = 0.0  # at design speed
    turbine: float = 0.0  # its size, see ``charging.turbine_w``
    inertia_j: float = 0.0  # kinetic energy at the design point
    blower_m3: float = 0.0  # a displacement blower's, a turn of the engine
    bypass_m2: float = 0.0

    # car
    mass_kg: float = 0.0
    drag_kg_m: float = 0.0  # half of air's density times drag area
    rolling: float = 0.0  # resistance over weight
    driveline: float = 0.0  # efficiency of gearbox and final drive
    engine_kg_m2: float = 0.0  # inertia of all that turns with the crank
    tyre_m: float = 0.0  # radius
    final_drive: float = 0.0
    gears: int = 0  # how many
    gear_ratio: list[float] = block(range(MOST_GEARS + 1))  # neutral is 0, at 0

    # spray
    conductance: float = 0.0  # all nozzles, this mix: mL/min per square root of kPa
    crack_kpa: float = 0.0  # the bypass begins to open, gauge (1e12: there is none)
    bypass_ml_s_kpa: float = 0.0  # flow for each kPa above that
    shut_off_kpa: float = 0.0  # the pump's pressure at no flow, gauge
    free_ml_s: float = 0.0  # the pump's flow at no pressure
    follows_command: float = 0.0  # 1 where the command sets the pump's speed
    stroke_hz: float = 0.0  # the pump's strokes at nominal speed
    ripple_share: float = 0.0  # of the line pressure, either way, at nominal speed
    check_kpa: float = 0.0  # opens the check valve
    friction_kpa_min_ml: float = 0.0  # lost for each mL/min in the line
    compliance_ml_kpa: float = 0.0  # of the line
    density_kg_m3: float = 0.0  # of the mix
    methanol: float = 0.0  # share by mass
    water_less: float = 0.0  # share of flow lost where water alone flows
    nozzles: float = 0.0  # how many
    viscosity_mpa_s: float = 0.0
    surface_mn_m: float = 0.0  # surface tension
    tank_ml: float = 0.0  # full
    switch_ml: float = 0.0  # where the tank's switch stands
    actuation_steps: int = 0  # from command to valve
    sensor_steps: int = 0  # from flow to meter
    sensor_lag_s: float = 0.0
    reaction_steps: int = 0  # from order to engine controller
    flow_gain: float = 0.0  # flow reading over true flow
    line_gain: float = 0.0  # the line's reading over its pressure
    flow_noise: float = 0.0  # share of the reading
    flow_noise_lasts_s: float = 0.05  # its correlation falls to 1/e in so long

    # spray controller
    command: int = 0  # as ``rules.facts.CommandKind``
    start_kpa: float = 0.0  # boost, gauge
    full_kpa: float = 0.0  # boost, gauge
    start_duty_pct: float = 0.0
    full_duty_pct: float = 0.0
    fixed_ml_min: float = 0.0
    map_rows: int = 0
    map_columns: int = 0
    map_kpa: list[float] = block(range(MOST_MAP))  # boost of each row, gauge
    map_duty_pct: list[float] = block(range(MOST_MAP))  # of each column
    map_pct: list[float] = block(range(MOST_MAP * MOST_MAP))  # row by row

    # what the rig says the spray paid for
    paid_points: int = 0
    paid_kpa: list[float] = block(range(MOST_PAID))  # boost, gauge
    paid_deg: list[float] = block(range(MOST_PAID))  # timing

    # the tune: timing with healthy spray, by boost and speed
    tune_kpa: list[float] = block(range(N_TUNE_BOOST))  # boost of each row, gauge
    tune_rpm: list[float] = block(range(N_TUNE_SPEED))  # of each column
    tune_deg: list[float] = block(range(N_TUNE_BOOST * N_TUNE_SPEED))  # row by row

    # the drive
    drive_steps: int = 0
    fault_count: int = 0
    sent: list[float] = block(CHANNEL_NAMES)  # 1 for each channel the rig maps
