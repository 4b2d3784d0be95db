"""Published fixture values, and supply fixture units, for accounts without reads.

Each table says what it is and how far it was confirmed: "read" in a copy or a secondary source,
"from memory" where it was not. No table here may size a meter for which interval reads exist.
"""

from __future__ import annotations

from typing import Final

Curve = tuple[tuple[float, float], ...]

# AWWA M22, 3rd ed. (2014), fixture values at 60 psi: read in a county form of that edition.
M22_FIXTURE_VALUE: Final[dict[str, float]] = {
    "bathtub": 8, "bedpan_washer": 10, "bidet": 2, "dental_unit": 2, "drinking_fountain": 2,
    "kitchen_sink": 2.2, "lavatory": 1.5, "showerhead": 2.5, "service_sink": 4,
    "toilet_flush_valve": 35, "toilet_tank": 4, "urinal_pedestal": 35, "urinal_wall": 16,
    "wash_sink_per_faucet_set": 4, "dishwasher": 2, "washing_machine": 6,
    "hose_half_in": 5, "hose_five_eighths_in": 9, "hose_three_quarter_in": 12,
}  # fmt: skip

# The same form: flow of a section of 100 ft2 that is watered at once.
M22_IRRIGATION_GPM_PER_SECTION: Final[dict[str, float]] = {"spray": 1.16, "rotary": 0.40}
# The same form: factor 1.00 for a residual pressure of 60 to 80 psi; others are in Table 4-3,
# which was not read.
M22_UNIT_PRESSURE_PSI: Final = (60.0, 80.0)

# IPC 2018, Table E103.3(3), water supply fixture units to gpm, flush tanks and flush valves:
# 1 to 500 read and agreeing in two texts, above 500 from memory (high trust).
IPC_TANK_GPM: Final[Curve] = (
    (1, 3.0), (2, 5.0), (3, 6.5), (4, 8.0), (5, 9.4), (10, 14.6), (15, 17.5), (20, 19.6),
    (25, 21.5), (30, 23.3), (35, 24.9), (40, 26.3), (45, 27.7), (50, 29.1), (60, 32), (70, 35),
    (80, 38), (90, 41), (100, 43.5), (120, 48), (140, 52.5), (160, 57), (180, 61), (200, 65),
    (225, 70), (250, 75), (275, 80), (300, 85), (400, 105), (500, 124), (750, 170), (1000, 208),
    (1500, 269), (2000, 325), (3000, 433), (4000, 525), (5000, 593),
)  # fmt: skip
IPC_VALVE_GPM: Final[Curve] = (
    (5, 15.0), (10, 27.0), (15, 31.0), (20, 35.0), (25, 38.0), (30, 42.0), (35, 44.0),
    (40, 46.0), (45, 48.0), (50, 50.0), (60, 54), (70, 58), (80, 61.2), (90, 64.3),
    (100, 67.5), (120, 73), (140, 77), (160, 81), (180, 85.5), (200, 90), (225, 95.5),
    (250, 101), (275, 104.5), (300, 108), (400, 127), (500, 143), (750, 177), (1000, 208),
    (1500, 269), (2000, 325), (3000, 433), (4000, 525), (5000, 593),
)  # fmt: skip

# NSPC, Table B.5.4: read.
NSPC_TANK_GPM: Final[Curve] = (
    (5, 4.5), (6, 5), (7, 6), (8, 7), (9, 7.5), (10, 8), (11, 8.5), (12, 9), (13, 10),
    (14, 10.5), (120, 49), (140, 53), (160, 57), (180, 61), (200, 65), (225, 70), (250, 75),
    (300, 85), (400, 105), (500, 125), (750, 170), (1000, 210),
)  # fmt: skip
NSPC_VALVE_GPM: Final[Curve] = (
    (5, 22), (6, 23), (7, 24), (8, 25), (9, 26), (10, 27), (11, 28), (12, 29), (13, 29.5),
    (14, 30), (120, 74), (140, 78), (160, 83), (180, 87), (200, 91), (225, 95), (250, 100),
    (300, 110), (400, 125), (500, 140), (750, 175), (1000, 210),
)  # fmt: skip

SUPPLY_CURVES: Final[dict[tuple[str, str], Curve]] = {
    ("ipc", "tank"): IPC_TANK_GPM,
    ("ipc", "valve"): IPC_VALVE_GPM,
    ("nspc", "tank"): NSPC_TANK_GPM,
    ("nspc", "valve"): NSPC_VALVE_GPM,
}

# The same table, rows that no copy was read of: from memory (high trust), to be checked against
# the code in force. Washing machines by their load.
IPC_FROM_MEMORY: Final[dict[str, float]] = {
    "shower_private": 1.4, "shower_public": 4.0,
    "toilet_flush_tank_private": 2.2, "toilet_flush_tank_public": 5.0,
    "toilet_flush_valve_private": 6.0, "toilet_flush_valve_public": 10.0,
    "toilet_flushometer_tank": 2.0,
    "urinal_flush_tank": 3.0, "urinal_flush_valve_three_quarter_in": 5.0,
    "urinal_flush_valve_one_in": 10.0,
    "washing_machine_8_lb_private": 1.4, "washing_machine_8_lb_public": 3.0,
    "washing_machine_15_lb_public": 4.0,
}  # fmt: skip

# IPC 2018, Table E103.3(2), total water supply fixture units: read.
IPC_FIXTURE_UNITS: Final[dict[str, float]] = {
    "bathroom_group_private_tank": 3.6, "bathroom_group_private_valve": 8.0,
    "bathtub_private": 1.4, "bathtub_public": 4.0, "bidet": 2.0, "dishwasher": 1.4,
    "drinking_fountain": 0.25, "kitchen_sink_private": 1.4, "kitchen_sink_restaurant": 4.0,
    "laundry_tray": 1.4, "lavatory_private": 0.7, "lavatory_public": 2.0, "service_sink": 3.0,
    **IPC_FROM_MEMORY,
}  # fmt: skip
