"""What is said of a series: seldom wrong where there is nothing, seldom silent where there is something."""

import math

import numpy as np
import pytest

from analyser.reporting.trends import FEWEST, holm, trend

SERIES = 600


def verdicts(generate, seed, better="lower"):
    random = np.random.default_rng(seed)
    return [trend(generate(random), better).verdict for _ in range(SERIES)]


def share(found, verdict):
    return found.count(verdict) / len(found)


@pytest.mark.parametrize("count", [5, 8, 15])
def test_noise_is_seldom_called_better(count):
    found = verdicts(lambda random: 300 * np.exp(0.3 * random.standard_normal(count)), count)
    assert share(found, "improved") <= 0.05
    assert share(found, "worsened") <= 0.05


def test_noise_with_rare_disasters_is_seldom_called_better():
    found = verdicts(lambda random: 200 + 20 * random.standard_t(1.5, 8), 3)
    assert share(found, "improved") <= 0.05


def test_a_true_halving_over_eight_attempts_is_found():
    # a scatter of 15 % from one attempt to the next beside what is learnt
    gradual = verdicts(lambda random: 300 * 0.5 ** (np.arange(8) / 7) * np.exp(0.15 * random.standard_normal(8)), 4)
    assert share(gradual, "improved") >= 0.9
    sudden = verdicts(lambda random: 300 * np.where(np.arange(8) < 4, 1, 0.5) * np.exp(0.12 * random.standard_normal(8)), 5)
    assert share(sudden, "improved") >= 0.9
    assert share(gradual + sudden, "worsened") == 0


def test_the_wrong_test_would_see_trends_in_noise():
    """Negative control: a straight line by least squares whose error is taken for granted calls noise a trend far too often."""
    random = np.random.default_rng(6)
    called = 0
    for _ in range(SERIES):
        values = 300 * np.exp(0.3 * random.standard_normal(8))
        called += np.polyfit(np.arange(8), values, 1)[0] < 0
    assert called / SERIES > 0.3


def test_the_slope_and_its_interval():
    found = trend([10, 12, 11, 14, 15, 17, 16, 19], better="higher")
    assert found.verdict == "improved"
    assert found.slope == pytest.approx(1.25, abs=0.15)
    assert found.low < found.slope < found.high
    assert found.tau == pytest.approx(24 / 28)  # two pairs of 28 the other way round
    assert found.sentence("kg") == "improved: +1.25 kg from one attempt to the next (+0.80 to +2.00)"
    assert trend([10, 12, 11, 14, 15, 17, 16, 19], better="lower").verdict == "worsened"


def test_slope_interval_and_tau_are_those_of_scipy():
    from scipy.stats import kendalltau, theilslopes

    random = np.random.default_rng(12)
    for count in (3, 4, 5, 8, 13, 40):
        for ties in (False, True):
            values = random.standard_normal(count)
            values = np.round(values) if ties else values
            if np.all(values == values[0]):
                continue
            found = trend(values)
            slope, _, low, high = theilslopes(values, np.arange(count), alpha=0.95)
            assert (found.slope, found.low, found.high) == pytest.approx((slope, low, high))
            assert found.tau == pytest.approx(kendalltau(np.arange(count), values)[0])


def test_the_chance_is_that_of_all_orders():
    found = trend([5, 4, 3, 2, 1])
    assert found.chance_improved == pytest.approx(1 / math.factorial(5))
    assert found.chance_worsened == 1.0


def test_too_few_and_unknown():
    assert FEWEST == 5
    assert trend([4, 3, 2, 1]).verdict == "too few"
    assert trend([4, math.nan, 3, math.nan, 2, 1]).verdict == "too few"
    assert trend([]).sentence() == "no trend can be told from 0 attempts"
    assert trend([7.0]).sentence() == "no trend can be told from 1 attempt"
    assert trend([math.nan] * 9).count == 0
    assert trend([2.0] * 9).verdict == "none told"
    assert trend([9, math.nan, 7, 6, 5, math.nan, 3, 2]).slope == pytest.approx(-1.0)


def test_many_questions_at_once_are_seldom_answered_wrongly():
    random = np.random.default_rng(8)
    wrong = alone = 0
    for _ in range(150):
        trends = [trend(100 + random.standard_normal(7)) for _ in range(10)]
        wrong += any(item.told for item in holm(trends))
        alone += any(item.told for item in trends)
    assert wrong / 150 <= 0.08
    assert alone / 150 > 0.25  # what would be said without care


def test_a_strong_trend_survives_among_many_questions():
    random = np.random.default_rng(9)
    trends = [trend(100 + random.standard_normal(8)) for _ in range(8)] + [trend(np.arange(100, 20, -10) + random.standard_normal(8))]
    assert holm(trends)[-1].verdict == "improved"
