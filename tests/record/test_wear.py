"""Wear watch: uncertainty of a lift, false alarms and detection among sixteen lobes, lines and their crossings.

Sources are named beside each check; 'from memory' where nobody saw the page.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lobeledger.errors import OutOfRange
from lobeledger.page.words.wear import growth_answer, watch_answer
from lobeledger.record.uncertainty import (
    angle_uncertainty_deg,
    limits_uncertainty_m,
    reading_uncertainty_m,
    repeats,
    resolution_uncertainty_m,
)
from lobeledger.record.wear import (
    FALSE_ALARM_SHARE,
    LIMIT_M,
    Watch,
    crossing,
    family_threshold,
    fit_line,
    lash_growth,
    lift_loss,
    watch_lobes,
)

INCH = 0.0254
U_IN = 0.00044  # one reading, see test_gum_combined_lift_reading
KINDS = ("intake", "exhaust") * 8
NAMES = tuple(f"cylinder {1 + i // 2} {kind}" for i, kind in enumerate(KINDS))

# -- one reading -------------------------------------------------------------------------------------------


def test_gum_resolution():
    # JCGM 100:2008 F.2.2.1 (from memory): u = 0.29 of the step; 0.0005 in -> 0.000144 in, 0.1 %.
    assert resolution_uncertainty_m(1.0) == pytest.approx(0.29, abs=0.005)
    assert resolution_uncertainty_m(0.0005 * INCH) / INCH == pytest.approx(0.0001443, rel=1e-3)


def test_gum_rectangular_copper():
    # JCGM 100:2008 4.3.7 (from memory): bounds +-0.40e-6 -> u^2 = 53.3e-15, u = 0.23e-6; printed digits.
    u = limits_uncertainty_m(0.40e-6)
    assert u**2 == pytest.approx(53.3e-15, abs=0.05e-15)
    assert u == pytest.approx(0.23e-6, abs=0.005e-6)


def test_gum_rectangular_matches_its_definition():
    # A rectangular distribution's standard deviation, from scipy.
    assert limits_uncertainty_m(0.5) == pytest.approx(stats.uniform(-0.5, 1.0).std(), rel=1e-12)
    assert resolution_uncertainty_m(1.0) == pytest.approx(stats.uniform(-0.5, 1.0).std(), rel=1e-12)


def test_gum_repeated_readings_table_1():
    # JCGM 100:2008 4.4.3, table 1 (from memory): 20 temperatures, mean 100.145, s = 1.489, s / sqrt(n) = 0.333.
    readings = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    readings += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    got = repeats(readings)
    assert got.mean == pytest.approx(100.145, abs=5e-4)
    assert got.spread == pytest.approx(1.489, abs=5e-4)
    assert got.mean_uncertainty == pytest.approx(0.333, abs=5e-4)


def test_gum_combined_lift_reading():
    # Root sum of squares (NIST TN 1297 sec. 5, from memory) by hand: 0.0005 in steps, +-0.0005 in, 0.0003 in
    # -> 0.0001443^2 + 0.0002887^2 + 0.0003^2 = 0.0004406^2; expanded (k = 2) 0.00088 in.
    u = reading_uncertainty_m(
        resolution_m=0.0005 * INCH, indicator_error_m=0.0005 * INCH, repeatability_m=0.0003 * INCH
    )
    assert u / INCH == pytest.approx(0.00044065, rel=1e-4)
    assert 2 * u / INCH == pytest.approx(0.00088, abs=5e-6)


def test_combined_reading_by_simulation():
    rng = np.random.default_rng(7)
    true = 0.28 + rng.uniform(-0.001, 0.001, 200_000)  # so that rounding acts as a rectangular error
    read = true + rng.uniform(-0.0005, 0.0005, true.size) + rng.normal(0.0, 0.0003, true.size)
    read = np.round(read / 0.0005) * 0.0005
    u = reading_uncertainty_m(resolution_m=0.0005, indicator_error_m=0.0005, repeatability_m=0.0003)
    # 200,000 draws know a standard deviation to 0.2 %; 1 % is five times that.
    assert np.std(read - true) == pytest.approx(u, rel=0.01)


def test_angle_from_a_flank():
    # 0.001 in over 0.0055 in/degree = 0.1818 degree (by hand; 0.18 in two digits).
    got = angle_uncertainty_deg(lift_uncertainty_m=0.001 * INCH, rise_m_per_deg=0.0055 * INCH)
    assert got == pytest.approx(0.001 / 0.0055, rel=1e-12)
    assert got == pytest.approx(0.18, abs=0.005)
    assert angle_uncertainty_deg(lift_uncertainty_m=1.0, rise_m_per_deg=-4.0) == 0.25


# -- one lobe ----------------------------------------------------------------------------------------------


def test_loss_against_scipy():
    x = lift_loss(0.280 * INCH, 0.274 * INCH, uncertainty_m=0.0003 * INCH, after_uncertainty_m=0.0004 * INCH)
    dist = stats.norm(0.006 * INCH, 0.0005 * INCH)
    assert x.uncertainty_m == pytest.approx(0.0005 * INCH, rel=1e-12)
    assert (x.low_m, x.high_m) == pytest.approx(dist.interval(0.95), rel=1e-9)
    assert x.chance_over_limit == pytest.approx(dist.sf(0.005 * INCH), rel=1e-9)


def test_interval_and_chance_hold_by_simulation():
    rng = np.random.default_rng(11)
    inside, bins = 0, {"low": [0, 0.0, 0], "high": [0, 0.0, 0]}
    trials = 4000
    for true in rng.uniform(0.002, 0.008, trials):
        before, after = 0.28 + rng.normal(0, 0.0006), 0.28 - true + rng.normal(0, 0.0006)
        x = lift_loss(before * INCH, after * INCH, uncertainty_m=0.0006 * INCH)
        inside += x.low_m <= true * INCH <= x.high_m
        cell = bins["low" if x.chance_over_limit < 0.5 else "high"]
        cell[0] += true * INCH > LIMIT_M
        cell[1] += x.chance_over_limit
        cell[2] += 1
    # 95 % of 4,000 trials: standard error 0.34 %; three of them.
    assert inside / trials == pytest.approx(0.95, abs=0.0105)
    for over, said, count in bins.values():
        assert over / count == pytest.approx(said / count, abs=0.015)


@given(st.floats(0.0, 0.01), st.floats(0.0, 0.01), st.floats(1e-6, 1e-4), st.floats(1e-7, 1e-3))
def test_loss_properties(before, after, u, more):
    x = lift_loss(before, after, uncertainty_m=u)
    worse = lift_loss(before + more, after, uncertainty_m=u)
    vaguer = lift_loss(before, after, uncertainty_m=2 * u)
    assert x.low_m < x.loss_m < x.high_m and 0.0 <= x.chance_over_limit <= 1.0
    assert worse.chance_over_limit >= x.chance_over_limit
    assert vaguer.high_m - vaguer.low_m == pytest.approx(2 * (x.high_m - x.low_m), rel=1e-6)


# -- many lobes --------------------------------------------------------------------------------------------


def test_sidak_threshold_keeps_the_family():
    # Sidak: sixteen independent standard normals all below z with probability 1 - share; scipy's distributions.
    z = family_threshold(16, share=0.05)
    assert stats.norm.cdf(z) ** 16 == pytest.approx(0.95, abs=1e-12)
    t = family_threshold(16, share=0.05, degrees_of_freedom=5.0)
    assert stats.t(5.0).cdf(t) ** 16 == pytest.approx(0.95, abs=1e-9)
    assert family_threshold(1, share=0.025) == pytest.approx(1.959964, abs=5e-7)  # any normal table


def inspect(rng, *, lost_in=None, u_in=U_IN, stated_in=None, count=16, shift_in=0.0) -> Watch:
    """An inspection with normal errors; lost_in: true loss of each lobe."""
    lost = np.zeros(count) if lost_in is None else np.asarray(lost_in)
    before = 0.28 + rng.normal(0.0, u_in, count)
    after = 0.28 - lost - shift_in + rng.normal(0.0, u_in, count)
    stated = (stated_in or u_in) * INCH
    return watch_lobes(before * INCH, after * INCH, names=NAMES[:count], kinds=KINDS[:count], uncertainty_m=stated)


def alarms(watch: Watch) -> list[bool]:
    return [x.reason not in ("", "unclear") for x in watch.lobes]


@functools.cache
def false_alarm_share(start: int, count: int, shift_in: float = 0.0) -> float:
    rng = np.random.default_rng(start)
    return float(np.mean([any(alarms(inspect(rng, count=count, shift_in=shift_in))) for _ in range(600)]))


@pytest.mark.parametrize(("count", "shift_in"), [(16, 0.0), (12, 0.0), (8, 0.0), (16, 0.002)])
def test_sound_lobes_seldom_raise_an_alarm(count, shift_in):
    # The promise is at most 5 %; shift: the whole second set read 0.002 in low, as with another set-up.
    shares = [false_alarm_share(start, count, shift_in) for start in (1, 2, 3)]
    assert max(shares) < FALSE_ALARM_SHARE
    assert max(shares) > 0.0  # the tests are not asleep


def test_a_lobe_that_lost_ten_thousandths_is_found():
    rng = np.random.default_rng(5)
    lost = np.zeros(16)
    lost[5] = 0.010
    watches = [inspect(rng, lost_in=lost) for _ in range(400)]
    assert np.mean([w.verdict == "stop" and w.worst.name == NAMES[5] for w in watches]) > 0.95
    assert np.mean([any(alarms(w)[:5] + alarms(w)[6:]) for w in watches]) < FALSE_ALARM_SHARE
    assert all(watch_answer(w, "us").startswith("Stop: cylinder 3 exhaust has lost 0.0") for w in watches)
    assert all(w.lobes[5].sure_share > 0.99 for w in watches)


def test_a_smaller_loss_is_watched():
    rng = np.random.default_rng(6)
    lost = np.zeros(16)
    lost[0] = 0.0035
    watches = [inspect(rng, lost_in=lost) for _ in range(200)]
    assert np.mean([w.lobes[0].verdict == "watch" for w in watches]) > 0.9


def test_several_wiped_lobes_do_not_hide_each_other():
    rng = np.random.default_rng(8)
    lost = np.zeros(16)
    lost[[0, 1, 4, 6]] = (0.012, 0.010, 0.020, 0.015)
    watches = [inspect(rng, lost_in=lost) for _ in range(200)]
    assert np.mean([all(w.lobes[i].verdict == "stop" for i in (0, 1, 4, 6)) for w in watches]) > 0.95


def test_understated_uncertainty_is_noticed_and_does_not_flood_with_alarms():
    # Readings three times as bad as stated. The threshold then rests on an estimate from sixteen lobes, which is
    # approximate: it is allowed twice the usual share. Taken at its word, the stated one would alarm nearly always.
    rng = np.random.default_rng(9)
    watches = [inspect(rng, u_in=3 * U_IN, stated_in=U_IN) for _ in range(400)]
    assert np.mean([not w.trusted for w in watches]) > 0.9
    assert np.mean([any(alarms(w)) for w in watches]) < 2 * FALSE_ALARM_SHARE
    assert all("scatter" in watch_answer(w, "us") for w in watches if not w.trusted)
    honest = [inspect(rng) for _ in range(400)]
    assert np.mean([not w.trusted for w in honest]) < 0.07


def test_a_coarse_indicator_clears_nobody():
    rng = np.random.default_rng(10)
    watches = [inspect(rng, u_in=0.003) for _ in range(100)]
    assert all(w.verdict != "go on" for w in watches)
    assert np.mean([any(alarms(w)) for w in watches]) <= 0.10  # 100 trials of at most 5 %


def test_all_low_alike_points_to_the_set_up():
    w = inspect(np.random.default_rng(12), shift_in=0.008)
    assert w.verdict == "stop" and "check the indicator's setup" in watch_answer(w, "us")


def test_lift_that_grew_is_a_reading_to_repeat():
    w = inspect(np.random.default_rng(13), lost_in=[-0.006] + [0.0] * 15)
    assert (w.lobes[0].verdict, w.lobes[0].reason) == ("watch", "gain") and "measure it again" in watch_answer(w, "us")


def test_a_lobe_is_no_neighbour_of_its_own():
    # Excess by hand: 9 less the median of 1, 2 and 6; the other kind does not count.
    lost = np.array([9.0, 1.0, 2.0, 6.0, 90.0]) * 1e-5
    kinds = ("intake",) * 4 + ("exhaust",)
    w = watch_lobes(0.007 + 0 * lost, 0.007 - lost, names=list("abcde"), kinds=kinds, uncertainty_m=1e-5)
    assert w.lobes[0].excess_m == pytest.approx(7e-5, abs=1e-15)
    assert w.lobes[4].excess_m is None


def test_few_lobes_are_judged_by_the_limit_alone():
    kinds = ("intake", "intake", "exhaust")
    w = watch_lobes([0.0071] * 3, [0.0071, 0.0068, 0.0071], names=("a", "b", "c"), kinds=kinds, uncertainty_m=1e-5)
    assert [x.verdict for x in w.lobes] == ["go on", "stop", "go on"]
    assert all(x.excess_m is None and x.sure_share is None for x in w.lobes)
    assert "0.300 mm" in watch_answer(w, "metric")


@given(
    st.lists(st.floats(0.0, 0.02), min_size=8, max_size=16),
    st.floats(-0.001, 0.001),
    st.randoms(use_true_random=False),
)
def test_neighbours_take_out_a_common_shift_and_order_does_not_matter(lost, shift, random):
    n = len(lost)
    before = np.full(n, 0.28)
    kinds, u = KINDS[:n], U_IN * INCH
    plain = watch_lobes(before * INCH, (before - lost) * INCH, names=NAMES[:n], kinds=kinds, uncertainty_m=u)
    moved = watch_lobes(before * INCH, (before - lost - shift) * INCH, names=NAMES[:n], kinds=kinds, uncertainty_m=u)
    for a, b in zip(plain.lobes, moved.lobes, strict=True):
        assert b.excess_m == pytest.approx(a.excess_m, abs=1e-12)
    order = list(range(n))
    random.shuffle(order)
    mixed = watch_lobes(
        (before * INCH)[order],
        ((before - lost) * INCH)[order],
        names=[NAMES[i] for i in order],
        kinds=[kinds[i] for i in order],
        uncertainty_m=u,
    )
    assert sorted((x.name, x.verdict) for x in mixed.lobes) == sorted((x.name, x.verdict) for x in plain.lobes)
    assert mixed.verdict == plain.verdict


# -- lash --------------------------------------------------------------------------------------------------


def test_gum_h3_thermometer_line():
    # JCGM 100:2008 H.3, table H.6: data seen as restated in the GTC documentation (gtc.readthedocs.io, GUM_H3);
    # y1 = -0.1712, s 0.0029; y2 = 0.00218, s 0.00067; r = -0.930; s = 0.0035; b(30) = -0.1494, u 0.0041 (from memory).
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line(np.array(t) - 20.0, b)
    s1, s2 = math.sqrt(line.intercept_variance), math.sqrt(line.slope_variance)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert s1 == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert s2 == pytest.approx(0.00067, abs=5e-6)
    assert line.covariance / (s1 * s2) == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_spread == pytest.approx(0.0035, abs=5e-5)
    value, u = line.at(10.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)
    assert line.degrees_of_freedom == 9


def test_line_against_scipy_and_numpy():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 500, 12), rng.normal(0, 1, 12)
    line, ref = fit_line(x, y), stats.linregress(x, y)
    assert (line.slope, line.intercept) == pytest.approx((ref.slope, ref.intercept), rel=1e-9)
    assert math.sqrt(line.slope_variance) == pytest.approx(ref.stderr, rel=1e-9)
    assert math.sqrt(line.intercept_variance) == pytest.approx(ref.intercept_stderr, rel=1e-9)
    u = rng.uniform(2.0, 4.0, 12)  # wide, so that chi-square does not object
    line = fit_line(x, y, uncertainty=u)
    (slope, intercept), cov = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-8)
    assert [line.slope_variance, line.covariance, line.intercept_variance] == pytest.approx(
        [cov[0, 0], cov[0, 1], cov[1, 1]], rel=1e-8
    )


def test_a_line_believes_the_scatter_rather_than_a_far_too_small_uncertainty():
    x, y = [0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.5, 1.4, 3.6, 3.8]
    line, ref = fit_line(x, y, uncertainty=1e-3), stats.linregress(x, y)
    assert line.degrees_of_freedom == 3
    assert math.sqrt(line.slope_variance) == pytest.approx(ref.stderr, rel=1e-9)


def test_crossing_ends_where_the_band_meets_the_level():
    line = fit_line([0.0, 50.0, 100.0, 150.0], [0.0, 5.2, 9.9, 15.1], uncertainty=0.3)
    best, earliest, latest = crossing(line, 25.0, start=150.0)
    assert line.at(best)[0] == pytest.approx(25.0, rel=1e-12)
    for end, sign in ((earliest, 1.0), (latest, -1.0)):
        value, u = line.at(end)
        assert value + sign * line.factor(0.95) * u == pytest.approx(25.0, rel=1e-9)
    assert earliest < best < latest


@pytest.mark.parametrize("known", [True, False])
def test_hours_left_cover_the_truth_by_simulation(known):
    rng = np.random.default_rng(21)
    hours = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
    true_left, inside, trials = (0.0045 / 3e-5) - 100.0, 0, 2000  # 0.0045 in at 0.003 in per 100 h
    rates = 0
    for _ in range(trials):
        lash = (0.018 + 3e-5 * hours + rng.normal(0.0, 0.0003, hours.size)) * INCH
        u = 0.0003 * INCH if known else None
        g = lash_growth(hours, lash, limit_m=0.0225 * INCH, uncertainty_m=u)
        inside += g.hours_left_low <= true_left <= g.hours_left_high
        rates += g.rate_low_m_per_h <= 3e-5 * INCH <= g.rate_high_m_per_h
    # Standard error of 95 % in 2,000 trials 0.5 %; three of them. With u known the 5 % of cases in which chi-square
    # objects widen the interval, which may only add.
    low, high = 0.935, 0.98 if known else 0.965
    assert low < inside / trials < high
    assert low < rates / trials < high


def test_lash_that_stands_still_goes_on():
    g = lash_growth([0, 50, 100], [4.6e-4, 4.62e-4, 4.59e-4], limit_m=7e-4, uncertainty_m=1e-5)
    assert g.verdict == "go on" and math.isinf(g.hours_left_high) and g.hours_left_low > 50.0
    assert "or never" in growth_answer(g, "us") or "not in sight" in growth_answer(g, "us")


def test_lash_that_opens_and_lash_that_closes_mirror_each_other():
    hours = [0.0, 40.0, 80.0, 120.0]
    up = lash_growth(hours, [4.0e-4, 4.4e-4, 4.9e-4, 5.2e-4], limit_m=7e-4, uncertainty_m=1e-5)
    down = lash_growth(hours, [6.0e-4, 5.6e-4, 5.1e-4, 4.8e-4], limit_m=3e-4, uncertainty_m=1e-5)
    assert up.rate_m_per_h == pytest.approx(down.rate_m_per_h, rel=1e-9)
    assert up.hours_left == pytest.approx(down.hours_left, rel=1e-9)
    assert (up.verdict, down.verdict) == ("watch", "watch")
    assert "opens" in growth_answer(up, "us") and "closes" in growth_answer(down, "us")


def test_lash_beyond_the_limit_stops():
    g = lash_growth([0, 50, 100], [4.6e-4, 6.0e-4, 7.6e-4], limit_m=7e-4, uncertainty_m=1e-5)
    assert g.verdict == "stop" and g.hours_left == 0.0


@given(
    st.lists(
        st.tuples(st.floats(0, 1000), st.floats(1e-4, 1e-3)), min_size=3, max_size=8, unique_by=lambda p: round(p[0])
    ),
    st.floats(1e-6, 1e-4),
    st.floats(1.1e-3, 3e-3),
)
def test_growth_properties(points, u, limit):
    g = lash_growth(*zip(*points, strict=True), limit_m=limit, uncertainty_m=u)
    assert g.rate_low_m_per_h <= g.rate_m_per_h <= g.rate_high_m_per_h
    assert 0.0 <= g.hours_left_low <= g.hours_left_high
    assert g.hours_left_low <= g.hours_left * (1 + 1e-9) and g.hours_left <= g.hours_left_high * (1 + 1e-9)
    assert g.verdict in ("go on", "watch", "stop")
    nearer = lash_growth(*zip(*points, strict=True), limit_m=limit - 1e-5, uncertainty_m=u)
    assert nearer.hours_left <= g.hours_left


# -- refusals ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: resolution_uncertainty_m(-1.0), "step_m is -1"),
        (lambda: limits_uncertainty_m(math.nan), "half_width_m is nan"),
        (lambda: repeats([1.0]), "two or more"),
        (
            lambda: reading_uncertainty_m(resolution_m=0, indicator_error_m=0, repeatability_m=0, times=0),
            "times is 0",
        ),
        (lambda: angle_uncertainty_deg(lift_uncertainty_m=1e-5, rise_m_per_deg=0.0), "only where the flank rises"),
        (lambda: lift_loss(0.007, 0.007, uncertainty_m=0.0), "no reading is exact"),
        (lambda: family_threshold(0, share=0.05), "tests is 0"),
        (lambda: watch_lobes([0.007], [0.007], names=["a", "b"], kinds=["x"], uncertainty_m=1e-5), "one of each"),
        (lambda: fit_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "two different places"),
        (lambda: fit_line([1.0, 2.0], [1.0, 2.0]), "3 or more"),
        (lambda: lash_growth([0, 50, 100], [4e-4] * 3, limit_m=4e-4, uncertainty_m=1e-5), "first reading itself"),
        (lambda: lash_growth([-1, 50, 100], [4e-4] * 3, limit_m=5e-4), "below 0"),
    ],
)
def test_refusals_say_what_would_be_right(call, says):
    with pytest.raises(OutOfRange, match=says):
        call()
