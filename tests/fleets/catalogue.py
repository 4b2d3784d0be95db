"""A small hand-made catalogue, shaped as the standards' tables are (from memory).

Registration curves are plain: they start low at the starting flow and are flat in the normal
range. Prices are invented.
"""

from __future__ import annotations

from rightsize.meters.catalogue import Meter

_SIZES = {0.625: 1, 0.75: 1.5, 1: 2.5, 1.5: 5, 2: 8, 3: 16, 4: 25, 6: 50, 8: 80}


def _meter(kind, size, start, low, normal, continuous, smoc, price, install, points):
    return Meter(
        kind,
        size,
        start,
        low,
        normal,
        continuous,
        smoc,
        tuple(points),
        10.0,
        price,
        install,
        10.0 if kind != "ultrasonic" else 5.0,
        15.0,
        "hand-made for tests",
    )


def _displacement(size, smoc, low, normal, price):
    start = low / 3
    points = [(start, 0.6), (low, 0.95), (normal, 0.995), (smoc / 2, 1.0), (smoc, 0.985)]
    return _meter("displacement", size, start, low, normal, smoc / 2, smoc, price, 120, points)


def _turbine(size, continuous, smoc, normal, price):
    start = normal / 3
    points = [
        (start, 0.35),
        (normal / 2, 0.8),
        (normal, 0.975),
        (normal * 2, 0.995),
        (smoc, 1.0),
    ]
    return _meter("turbine", size, start, normal, normal, continuous, smoc, price, 400, points)


def _compound(size, smoc, low, normal, price):
    start, cross = low / 3, 10 * size
    points = [
        (start, 0.6), (low, 0.95), (normal, 0.99), (cross * 0.8, 0.995), (cross, 0.93),
        (cross * 1.6, 0.985), (cross * 3, 0.995), (smoc, 1.0),
    ]  # fmt: skip
    return _meter("compound", size, start, low, normal, smoc / 2, smoc, price, 500, points)


def _ultrasonic(size, smoc, price):
    start = smoc / 2000
    points = [(start, 0.9), (start * 2, 0.98), (start * 5, 1.0), (smoc, 1.0)]
    return _meter(
        "ultrasonic", size, start, start * 2, start * 2, smoc * 0.8, smoc, price, 250, points
    )


METERS: tuple[Meter, ...] = (
    _displacement(0.625, 20, 0.25, 1, 90),
    _displacement(0.75, 30, 0.5, 2, 130),
    _displacement(1, 50, 0.75, 3, 210),
    _displacement(1.5, 100, 1.5, 5, 480),
    _displacement(2, 160, 2, 8, 720),
    _turbine(1.5, 60, 120, 4, 700),
    _turbine(2, 100, 190, 4, 900),
    _turbine(3, 240, 435, 8, 1300),
    _turbine(4, 420, 750, 15, 1900),
    _turbine(6, 920, 1600, 30, 3300),
    _compound(2, 160, 0.25, 2, 1900),
    _compound(3, 320, 0.5, 4, 2600),
    _compound(4, 500, 0.75, 6, 3600),
    _compound(6, 1000, 1.5, 10, 5800),
    _ultrasonic(0.75, 32, 260),
    _ultrasonic(1, 55, 340),
    _ultrasonic(1.5, 120, 900),
    _ultrasonic(2, 180, 1150),
    _ultrasonic(3, 450, 2200),
    _ultrasonic(4, 800, 2900),
    _ultrasonic(6, 1800, 4600),
)
