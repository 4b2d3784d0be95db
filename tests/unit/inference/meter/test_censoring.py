import numpy as np
import pytest

from rightsize.inference.meter import censoring
from rightsize.inference.meter.censoring import learn_from, steady_law
from rightsize.inference.meter.steady_by_use import ODDS_POWER, SIZE_POWER
from rightsize.inference.water_use.priors import ClassPrior, Priors, SteadyPrior

PRIOR = SteadyPrior(0.4, 0.5, 6.0)
OTHER = SteadyPrior(0.2, 1.0, 4.0)
PRIORS = Priors(
    {
        name: ClassPrior(name, (), (), 1.0, steady)
        for name, steady in (("office", PRIOR), ("hotel", OTHER), ("unknown", PRIOR))
    },
    None,
)


def shown(rng, share, median, floor, use=None):
    """Rows of accounts that have steady flow as planted, as far as their meters show it."""
    use = np.ones(len(floor)) if use is None else use
    has = rng.random(len(floor)) < share
    flow = np.where(has, median * np.exp(0.8 * rng.standard_normal(len(floor))), 0)
    return np.stack([np.where(flow >= floor, flow, 0.0), floor, use], axis=1)


def learnt(rows, name="office"):
    return learn_from([{name: rows}], PRIORS)


def test_a_large_fleet_outweighs_the_prior_and_allows_for_what_meters_miss():
    # PLANTED: 60 % of accounts leak about 1.5 gpm; half the meters start at 0.1 gpm, half at 2
    floor = np.where(np.arange(3000) % 2 == 0, 0.1, 2.0)
    rows = shown(np.random.default_rng(3), 0.6, 1.5, floor)
    assert (rows[:, 0] > 0).mean() < 0.5
    found = learnt(rows).steady["office"]
    assert found.share == pytest.approx(0.6, abs=0.05)
    assert found.flow_gpm == pytest.approx(1.5, rel=0.1)
    assert found.log_sd == pytest.approx(0.8, rel=0.15)


@pytest.mark.parametrize(("odds_power", "size_power"), [(0.0, 0.0), (0.9, 0.5)])
def test_a_large_fleet_shows_how_odds_and_size_rise_with_use(odds_power, size_power):
    # PLANTED: powers of use; the meters of large sites start higher
    rng = np.random.default_rng(4)
    use = np.exp(1.2 * rng.standard_normal(6000))
    odds = 0.5 * use**odds_power
    floor = 0.1 * use**0.5
    rows = shown(rng, odds / (1 + odds), 0.8 * use**size_power, floor, use)
    found = learnt(rows)
    assert found.odds_power == pytest.approx(odds_power, abs=0.1)
    assert found.size_power == pytest.approx(size_power, abs=0.1)
    law = steady_law(PRIORS, found, ["office"] * 2, np.array([0.2, 5.0]))
    told = law.share / (1 - law.share)
    np.testing.assert_allclose(told, 0.5 * np.array([0.2, 5.0]) ** odds_power, rtol=0.2)


def test_no_fleet_shows_that_larger_sites_leak_less():
    # PLANTED: small sites leak more often and more
    rng = np.random.default_rng(8)
    use = np.exp(1.2 * rng.standard_normal(3000))
    odds = 0.5 * use**-0.5
    found = learnt(shown(rng, odds / (1 + odds), 0.8 * use**-0.4, np.full(3000, 0.1), use))
    assert (found.odds_power, found.size_power) == (0.0, 0.0)


def test_a_fleet_that_shows_nothing_leaves_the_prior():
    found = learn_from([], PRIORS)
    assert found.steady["office"].share == pytest.approx(PRIOR.share)
    assert found.steady["office"].flow_gpm == pytest.approx(PRIOR.flow_gpm)
    assert found.steady["office"].factor == pytest.approx(PRIOR.factor)
    assert (found.odds_power, found.size_power) == (ODDS_POWER, SIZE_POWER)
    law = steady_law(
        PRIORS, found, ["office", "hotel", "theater"], np.array([0.01, 1.0, 100.0])
    )
    assert law.share == pytest.approx([0.4, 0.2, 0.4])
    assert np.exp(law.centre_log) == pytest.approx([0.5, 1.0, 0.5])


def test_a_few_accounts_stay_near_the_prior():
    rows = np.array([[0.0, 0.1, 0.2], [0.6, 0.1, 1.0], [0.0, 0.1, 5.0]])
    found = learnt(rows)
    assert found.steady["office"].share == pytest.approx(PRIOR.share, abs=0.05)
    assert found.steady["office"].flow_gpm == pytest.approx(PRIOR.flow_gpm, rel=0.1)
    assert found.odds_power == pytest.approx(ODDS_POWER, abs=0.1)
    assert found.size_power == pytest.approx(SIZE_POWER, abs=0.1)


def test_nothing_depends_on_how_accounts_are_split_or_ordered():
    rng = np.random.default_rng(6)
    use = np.exp(rng.standard_normal(400))
    rows = shown(rng, 0.4, 0.5, rng.choice([0.05, 0.3, 1.2], 400), use)
    office, hotel = rows[:250], rows[250:]
    whole = learn_from([{"office": office, "hotel": hotel}], PRIORS)
    mixed = rng.permutation(250)
    parts = [{"office": office[k]} for k in np.array_split(mixed, 7)]
    parts[3:3] = [{"hotel": hotel[::-1][:9]}, {}, {"hotel": hotel[::-1][9:]}]
    assert vars(learn_from(parts, PRIORS)) == vars(whole)  # to the last digit


def test_the_more_accounts_show_steady_flow_the_likelier_it_is():
    floor, use = np.full(60, 0.1), np.exp(np.linspace(-1, 1, 60))
    shares, unseen = [], []
    for count in (0, 5, 15, 40):
        steady = np.where(np.arange(60) % 12 < count / 5, 0.4, 0.0)
        found = learnt(np.stack([steady, floor, use], axis=1))
        law = steady_law(PRIORS, found, ["office"], np.ones(1))
        shares.append(law.share[0])
        unseen.append(
            censoring.unseen_odds(law.share, law.centre_log, law.log_sd, np.array([2.0]))[0]
        )
    assert (np.diff(shares) > 0).all()
    assert (np.diff(unseen) > 0).all()


def test_small_sites_that_show_none_lower_the_odds_of_small_sites_most():
    # PLANTED: 30 dwellings without steady flow behind good meters, 30 buildings half with it
    use = np.repeat([0.05, 3.0], 30)
    steady = np.where(np.arange(60) >= 45, 0.5, 0.0)
    rows = np.stack([steady, np.full(60, 0.05), use], axis=1)
    law = steady_law(PRIORS, learnt(rows), ["office"] * 2, np.array([0.05, 3.0]))
    by_class = rows[:, 0].astype(bool).mean()
    assert law.share[0] < by_class / 2
    assert law.share[1] > by_class


def test_a_log_that_shows_a_leak_raises_the_odds_of_sites_like_it_most():
    # PLANTED: 40 sites behind turbines that show nothing; logs of eight large ones show leaks
    use = np.exp(np.linspace(-1.5, 1.5, 40))
    rows = np.stack([np.zeros(40), np.full(40, 1.2), use], axis=1)
    logged = rows.copy()
    logged[-8:, 0], logged[-8:, 1] = 0.5, censoring.SMALLEST_STEADY_GPM
    at = np.array([0.3, 4.0])
    before, after = (
        steady_law(PRIORS, learnt(r), ["office"] * 2, at).share for r in (rows, logged)
    )
    assert after[1] > 1.15 * before[1]
    assert (after / before)[1] > (after / before)[0]


def test_a_meter_that_registers_nothing_tells_no_use():
    found = learnt(shown(np.random.default_rng(7), 0.4, 0.5, np.full(50, 0.1)))
    law = steady_law(PRIORS, found, ["office"], np.array([np.nan]))
    assert law.share[0] == pytest.approx(found.steady["office"].share)


def test_odds_of_unseen_flow_rise_with_the_start_of_the_meter():
    start = np.array([0.02, 0.2, 2.0, 20.0])
    odds = censoring.unseen_odds(np.array(0.4), np.array(np.log(0.5)), np.array(1.0), start)
    assert (np.diff(odds) > 0).all()
    assert odds[-1] == pytest.approx(0.4, abs=1e-3)
    size = censoring.unseen_size(np.full(4, 0.999), np.array(np.log(0.5)), np.array(1.0), start)
    assert (size <= start).all()
