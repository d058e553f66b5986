"""Layout of the plant's vectors: constants, state, script, draws, truth.

As in ``rules.step.state``, everything is a flat vector of floats with named offsets, so that the
same functions run interpreted on lists (a live car) and compiled on arrays (thousands of runs), and
agree bit for bit.
"""

from typing import Final

from rules.channels import N_CHANNELS, ROW_WIDTH

# --- constants of a car and its day: k ---------------------------------------------------------
(
    K_DT_S,  # internal step
    K_SAMPLE_S,
    K_SUBSTEPS,
    K_AMBIENT_KPA,
    K_AMBIENT_C,
    K_HUMIDITY,
    # engine
    K_DISPLACEMENT_M3,
    K_CYLINDERS,
    K_REDLINE_RPM,
    K_VE,
    K_COMPRESSION,
    K_PETROL_OCTANE,
    K_PEAK_KPA,
    K_FULL_AIR_KG_S,
    K_MANIFOLD_M3,
    K_PIPE_M3,
    K_THROTTLE_M2,
    K_INJECTORS_KG_S,  # all of them, always open
    K_DEAD_TIME_MS,
    K_RICH_PETROL,  # petrol's share of stoichiometric air at full load, as 1 / lambda
    K_MOST_KNOCK_DEG,  # authority of the controller's knock retard
    K_IN_CYLINDER,  # share of liquid in the cylinder that cools gas and not metal
    # charger
    K_CHARGER,
    K_HEAD,
    K_CHOKE_KG_S,
    K_TURBINE,
    K_INERTIA_J,
    K_BLOWER_M3,
    K_BYPASS,
    # car
    K_MASS_KG,
    K_DRAG,
    K_TYRE_M,
    K_FINAL_DRIVE,
    K_GEARS,
    # spray
    K_FULL_FLOW,  # conductance of all nozzles for this mix, mL/min per square root of kPa
    K_CRACK_KPA,  # pressure at which the bypass begins to open (infinite: there is none)
    K_BYPASS_ML_S_KPA,
    K_SHUT_OFF_KPA,
    K_FREE_ML_S,
    K_CHECK_KPA,
    K_FRICTION,  # kPa for each mL/min in the line
    K_COMPLIANCE_ML_KPA,
    K_DENSITY,
    K_METHANOL,  # mass share
    K_WATER_LESS,  # share of flow lost where water alone flows
    K_NOZZLES,
    K_VISCOSITY,
    K_SURFACE,
    K_TANK_ML,
    K_ACTUATION_STEPS,
    K_SENSOR_STEPS,
    K_SENSOR_LAG_S,
    K_REACTION_STEPS,
    K_FLOW_GAIN,
    K_FLOW_NOISE,
    # the spray controller
    K_COMMAND,
    K_START_KPA,
    K_FULL_KPA,
    K_START_DUTY,
    K_FULL_DUTY,
    K_RATE,
    K_N_MAP_BOOST,
    K_N_MAP_DUTY,
    # tables' sizes
    K_N_STEPS,
    K_N_FAULTS,
    K_N_PAID,
) = range(66)
MOST_GEARS: Final = 8
K_GEAR: Final = 66  # ratio of gear i at K_GEAR + i; neutral is 0
MOST_PAID: Final = 32
K_PAID_BOOST: Final = K_GEAR + MOST_GEARS + 1
K_PAID_DEG: Final = K_PAID_BOOST + MOST_PAID
MOST_MAP: Final = 32
K_MAP_BOOST: Final = K_PAID_DEG + MOST_PAID
K_MAP_DUTY: Final = K_MAP_BOOST + MOST_MAP
K_MAP_PCT: Final = K_MAP_DUTY + MOST_MAP
# The tune: timing with healthy spray, by boost and speed.
N_TUNE_BOOST: Final = 7
N_TUNE_SPEED: Final = 5
K_TUNE_BOOST: Final = K_MAP_PCT + MOST_MAP * MOST_MAP
K_TUNE_SPEED: Final = K_TUNE_BOOST + N_TUNE_BOOST
K_TUNE_DEG: Final = K_TUNE_SPEED + N_TUNE_SPEED
K_SENT: Final = K_TUNE_DEG + N_TUNE_BOOST * N_TUNE_SPEED  # 1 for each channel the rig maps
N_K: Final = K_SENT + N_CHANNELS

# --- the script: one row of STEP_WIDTH for each of the driver's steps ----------------------------
(P_DO, P_ENDS_S, P_GEAR, P_PEDAL, P_AHEAD, P_AHEAD_GEAR) = range(6)
STEP_WIDTH: Final = 6
(DO_IDLE, DO_CRUISE, DO_PULL, DO_LIFT, DO_NOTHING) = (0.0, 1.0, 2.0, 3.0, -1.0)

# --- faults: one row of FAULT_WIDTH each, the last entry being the onset -------------------------
(
    F_KIND,
    F_CHANNEL,
    F_AT_S,
    F_ABOVE_KPA,
    F_BELOW_KPA,
    F_ABOVE_RPM,
    F_GEAR,
    F_AMOUNT,
    F_RAMP_S,
    F_FOR_S,
    F_ONSET_S,
    F_NOW,  # amount at this moment, 0 where it is not active
) = range(12)
FAULT_WIDTH: Final = 12

# --- state: s -----------------------------------------------------------------------------------
(
    # driver
    S_TIME_S,
    S_TICKS,  # internal steps done
    S_STEP,
    S_ENGAGED,
    S_SHIFT_LEFT_S,
    S_GEAR,
    S_NEXT_GEAR,
    S_PEDAL,
    S_BRAKE_M_S2,
    S_CLUTCH_OPEN,
    S_SHIFT_DRAW,
    # chassis
    S_ROAD_M_S,
    S_ACCEL_M_S2,
    S_SPEED_RPM,
    # air
    S_THROTTLE,
    S_MANIFOLD_KPA,
    S_PIPE_KPA,
    S_SHAFT,  # the charger's kinetic energy over its design point
    S_WASTEGATE,
    S_BYPASS,
    S_INTEGRAL,
    S_CUT,
    S_CORE_C,  # intercooler
    S_DRY_C,
    S_CHARGE_C,
    S_DROP_K,
    S_WALL_C,
    S_EXHAUST_K,
    S_HOT_K,
    S_DRAWN_KG_S,
    S_AIR_KG_S,
    S_COMPRESSOR_KG_S,
    S_THROTTLE_KG_S,
    S_BYPASS_KG_S,
    S_AIM_KPA,
    S_BOOST_KPA,
    S_PEDAL_AIM,
    # fuel and torque
    S_PETROL_KG_S,
    S_DUTY_PCT,
    S_LAMBDA,
    S_SEEN_LAMBDA,
    S_TORQUE_NM,
    S_BACK_KPA,
    # spray
    S_ASKED_SHARE,
    S_PRIMED,  # whether the controller has the pump running
    S_COMMANDED,
    S_OPEN,  # the valve's mean opening
    S_DUE,  # what healthy flow would be now, mL/min
    S_PUMP,
    S_SUPPLY_V,
    S_LINE_KPA,
    S_NOZZLE,  # mL/min
    S_METERED,  # mL/min through the flow meter
    S_LEAKED,  # mL/min
    S_TANK_ML,
    S_SLOSH_ML,
    S_SLOSH_ML_S,
    S_AIR_SHARE,
    S_FILM_KG,  # liquid on the intake's walls
    S_VAPOUR_WATER,  # kg/s
    S_VAPOUR_METHANOL,
    S_LIQUID_WATER,
    S_LIQUID_METHANOL,
    S_EVAPORATED,  # share of the spray
    S_END_C,  # where the spray leaves the charge: the next step's guess
    S_END_WATER,
    S_END_METHANOL,
    S_PHASE,  # of the flow meter's rotor
    S_LAST_PULSE_S,
    S_PULSE_READING,
    S_FLOW_READING,
    S_SENSED_BOOST,
    S_SENSED_INTAKE,
    S_SENSED_DRY,
    S_SENSED_LINE,
    S_BOOST_ERROR,
    # controller and knock
    S_RETARD_DEG,  # from outside, in force
    S_DONE_DEG,  # what is done of it
    S_CEILING_KPA,  # from outside, in force
    S_KNOCK_DEG,  # the controller's own
    S_KNOCK_HOLD_S,
    S_TIP_IN_DEG,
    S_SPARK_DEG,
    S_BEST_DEG,
    S_TORQUE_SHARE,
    S_BURN_DEG,
    S_HEAT_LIMIT_DEG,
    S_HEAT_RISE_K,
    S_HOT_C,  # the exhaust manifold
    S_ENGINE_PHASE,
    S_EVENTS,
    S_CYCLE_AT,  # next draw for a combustion event
    S_INTENSITY,  # largest of this sample
    # what the run is judged by
    S_HARM,
    S_KNOCKS,
    S_HEAVY_KNOCKS,
    S_WORK_KJ,
    S_USED_ML,
    S_PEAK_CHARGE_C,
    S_PEAK_HOT_C,
    S_PEAK_BOOST_KPA,
    S_MISSING,
    # slow noise
    N_FLOW,
    N_BOOST,
    N_LINE,
    N_AIM,
    # faults at this moment
    X_PUMP_DRIVE,
    X_PUMP_SHARE,
    X_SUPPLY_SHARE,
    X_NOZZLE_SHARE,
    X_SPLIT_BEFORE,
    X_SPLIT_AFTER,
    X_AIR,
    X_SIPHON,
    X_STUCK_OPEN,
    X_STUCK_SHUT,
    X_SILENT,
    X_WRONG_MIX,
    X_DRAIN,
    X_BYPASS_OPEN,
    X_NO_RETARD,
    X_NO_CUT,
    X_OVERBOOST,
    X_SLOW_S,
    X_HOT_COOLER,
    X_LEAN,
    # communication
    S_ROW_COUNT,
    S_NEWEST_S,
    S_UNPLUGGED,
    S_CLOCK_OFFSET_S,
    S_HAVE_HELD_BACK,
    S_LEFT_RANGE,  # which of ``kernel.RANGED`` did, counted from 1; 0: none
    S_PENDING,  # rows waiting on the delayed wire
) = range(133)
S_HELD: Final = 133  # last reading of each channel, for sensors that stick
S_NEXT_READ_S: Final = S_HELD + N_CHANNELS  # when each slow channel is read again
S_BACK_ROW: Final = S_NEXT_READ_S + N_CHANNELS  # one row held back, to come in the wrong order
MOST_LATE: Final = 512
S_LATE_ROWS: Final = S_BACK_ROW + ROW_WIDTH  # rows under way on a slow wire
RING: Final = 2048
S_ACTUATION: Final = S_LATE_ROWS + MOST_LATE * ROW_WIDTH  # rings of what is under way
S_METER: Final = S_ACTUATION + RING
S_RETARDS: Final = S_METER + RING
S_CEILINGS: Final = S_RETARDS + RING
S_DUES: Final = S_CEILINGS + RING
N_S: Final = S_DUES + RING

# --- draws: one row of DRAW_WIDTH unit normals, then uniforms, a sample --------------------------
(
    W_FLOW,
    W_BOOST,
    W_SPEED,
    W_INTAKE,
    W_DRY,
    W_SUPPLY,
    W_LAMBDA,
    W_LINE,
    W_AIM,
    W_SHIFT,
    W_SENSOR,
) = range(11)
N_NORMAL: Final = 11
(U_PICK, U_HOW, U_SIZE, U_SENSOR, U_LINK, U_LINK_SIZE) = range(N_NORMAL, N_NORMAL + 6)
N_UNIFORM: Final = 6
DRAW_WIDTH: Final = N_NORMAL + N_UNIFORM

MOST_ROWS: Final = 4  # a sample becomes at most so many rows on the wire
