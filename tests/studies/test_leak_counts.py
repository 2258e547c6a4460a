"""What counts of leaks prove: against scipy's exact intervals, published tables, closed forms and counting by lot."""

from __future__ import annotations

import json
from math import exp, inf, log

import numpy as np
import pytest
from scipy.stats import binom, binomtest, fisher_exact, hypergeom, poisson, poisson_means_test

from bronzeward.errors import InputError
from bronzeward.reports.leak_counts import on_strands
from bronzeward.studies.leak_counts import Count, chance_of_none, difference, lengths_needed, limits
from closeness import close

COUNTS = [(1500, 0), (1500, 3), (10, 1), (10, 9), (1, 0), (40, 39), (123, 45), (10**6, 7)]


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(("tested", "leaks"), COUNTS)
def test_shares_are_the_exact_intervals_of_scipy(tested, leaks, confidence):
    share = limits(Count(tested, 0.15, leaks), confidence).share
    # scipy finds its limit by a root in absolute terms, so its small shares are rough
    interval = binomtest(leaks, tested, alternative="less").proportion_ci(confidence, method="exact")
    assert share == close(interval.high, 1e-9 if share > 1e-4 else 1e-6)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(("tested", "leaks"), COUNTS)
def test_so_few_leaks_have_just_the_chance_left_at_each_limit(tested, leaks, confidence):
    found = limits(Count(tested, 0.2, leaks), confidence)
    assert binom.cdf(leaks, tested, found.share) == close(1.0 - confidence, 1e-8)
    assert poisson.cdf(leaks, found.per_metre * tested * 0.2) == close(1.0 - confidence, 1e-8)


def test_leaks_per_metre_meet_a_published_table():
    """N. Gehrels, Astrophys. J. 303 (1986) 336, upper limits at 95 %: second-hand, as public software has them."""
    table = (2.996, 4.744, 6.296, 7.754, 9.154, 10.51, 11.84)
    for leaks, published in enumerate(table):
        mean = limits(Count(100, 1.0, leaks), 0.95).per_metre * 100
        assert mean == pytest.approx(published, abs=0.006 if leaks > 4 else 0.0006)


PLANS = {
    (0.95, 0.01): (299, 473, 628, 773),
    (0.95, 0.05): (59, 93, 124, 153),
    (0.95, 0.2): (14, 22, 30, 37),
    (0.9, 0.01): (230, 388, 531, 667),
    (0.9, 0.1): (22, 38, 52, 65),
}
"""Samples that show a share with a confidence when 0, 1, 2, 3 are found: P. Touw, L. Hoogduin, Statistiek voor audit en
controlling, 2011, page 126; second-hand, from numbers that tests of public software quote of it."""


@pytest.mark.parametrize(("confidence", "share"), PLANS)
def test_shares_meet_published_sampling_tables(confidence, share):
    for leaks, tested in enumerate(PLANS[confidence, share]):
        assert limits(Count(tested, 1.0, leaks), confidence).share <= share
        assert limits(Count(tested - 1, 1.0, leaks), confidence).share > share


def test_the_example_of_the_readme():
    found = limits(Count(1500, 0.15, 0), 0.95)
    assert found.share == close(1.0 - 0.05 ** (1.0 / 1500.0), 1e-9)
    assert found.share == pytest.approx(0.001995, abs=5e-7)
    assert found.per_metre == close(-log(0.05) / 225.0)
    assert found.per_metre == pytest.approx(0.0133, abs=5e-5)


def test_without_a_leak_both_ways_to_leaks_per_metre_are_the_same():
    for tested in (1, 7, 1500):
        found = limits(Count(tested, 0.15, 0), 0.9)
        assert found.per_metre == close(found.per_metre_counted_once, 1e-12)


def test_a_length_that_counts_once_may_hide_further_leaks():
    few, many = limits(Count(10_000, 0.15, 3), 0.95), limits(Count(10, 0.15, 9), 0.95)
    assert few.per_metre_counted_once == close(few.per_metre, 1e-3)
    assert many.per_metre_counted_once > 1.5 * many.per_metre
    assert limits(Count(10, 0.15, 10), 0.95).per_metre_counted_once == inf


def test_longer_tests_prove_more_and_leaks_prove_less():
    shares = [limits(Count(n, 0.15, 2), 0.95).share for n in (2, 10, 100, 1000)]
    assert shares == sorted(shares, reverse=True)
    rates = [limits(Count(100, 0.15, k), 0.95) for k in range(101)]
    for values in zip(*rates, strict=True):
        assert list(values) == sorted(values)


def test_limits_hold_as_often_as_they_say():
    """Chance, over all counts there can be, that the limit lies above the truth."""
    tested = 200
    bounds = [limits(Count(tested, 0.5, k), 0.95) for k in range(tested + 1)]
    for share in (0.003, 0.02, 0.3):
        chances = binom.pmf(np.arange(tested + 1), tested, share)
        held = sum(c for c, b in zip(chances, bounds, strict=True) if b.share >= share)
        assert 0.95 <= held < 1.0
    for rate in (0.05, 0.3):
        chances = poisson.pmf(np.arange(tested + 1), rate * tested * 0.5)
        assert 0.95 <= sum(c for c, b in zip(chances, bounds, strict=True) if b.per_metre >= rate) < 1.0


def test_no_leak_in_a_strand_or_a_cable():
    count = Count(1500, 0.15, 0)
    # as long as what was tested: none with the chance that the confidence leaves
    assert chance_of_none(count, 0.95, 225.0) == close(0.05)
    assert chance_of_none(count, 0.95, 0.15) == close(1.0 - limits(count, 0.95).share)
    leaky = Count(50, 0.15, 4)
    assert chance_of_none(leaky, 0.95, 12.0) == close(chance_of_none(leaky, 0.95, 3.0) ** 4)
    assert chance_of_none(Count(5, 0.15, 5), 0.95, 1.0) == 0.0


def test_chances_are_rounded_down():
    assert "at least 12.3 %" in on_strands(1.0, 0.12399, 1, 0.12399)[0]
    assert "at least 5 %" in on_strands(1.0, 0.05, 1, 0.05)[0]
    assert "at least 99.9 %" in on_strands(1.0, 0.99999, 1, 0.99999)[0]
    assert "at least 0 %" in on_strands(1.0, 0.0, 1, 0.0)[0]


def test_lengths_needed_are_enough_and_not_one_too_many():
    for each, rate, confidence in ((0.15, 0.001, 0.95), (2.0, 0.5, 0.9), (0.15, 1e-5, 0.99), (100.0, 5.0, 0.5)):
        needed = lengths_needed(each, rate, confidence)
        assert exp(-rate * each * needed) <= 1.0 - confidence
        assert limits(Count(needed, each, 0), confidence).per_metre <= rate
        assert needed == 1 or limits(Count(needed - 1, each, 0), confidence).per_metre > rate


def test_two_counts_by_adding_up_all_that_could_have_been():
    """Both tests by hand: all splits of the leaks that are no likelier than the one that was counted."""
    one, other = Count(40, 0.15, 1), Count(30, 0.15, 7)
    found = difference(one, other)

    def by_hand(law):
        chances = law.pmf(np.arange(9))
        return chances[chances <= chances[1] * (1 + 1e-9)].sum()

    assert found.lengths == close(by_hand(hypergeom(70, 8, 40)))
    assert found.metres == close(by_hand(binom(8, 40 / 70)))
    assert found.lengths == close(fisher_exact([[1, 39], [7, 23]]).pvalue)
    assert found.p_value == found.lengths
    # another test of two Poisson means, not conditional, that gives less cautious chances of the same size
    assert 0.2 < poisson_means_test(1, 6.0, 7, 4.5).pvalue / found.metres <= 1.0


def test_two_counts_do_not_care_which_comes_first():
    one, other = Count(40, 0.15, 1), Count(30, 0.2, 7)
    assert difference(one, other).metres == close(difference(other, one).metres)
    assert difference(one, other).lengths is None
    assert difference(one, other).p_value == difference(one, other).metres
    assert difference(Count(40, 0.15, 0), Count(30, 0.2, 0)).p_value == 1.0
    assert difference(Count(40, 0.15, 0), Count(30, 0.15, 0)) == (1.0, 1.0)


# --- the command


def test_command_says_what_a_test_proves(command):
    code, out, err = command("lengths", "--tested", 1500, "--each", 0.15, "--metres", 500, "--strands", 40)
    assert (code, err) == (0, "")
    for words in (
        "at most 0.1995 %",
        "at most 0.01331 leaks per metre",
        "500 m",
        "40 such strands",
        "wound, compacted",
    ):
        assert words in out


def test_a_chance_of_nothing_is_told_as_none(command):
    """exp(-0.0345 per metre x 20 km) is 1e-299, which nobody needs to see."""
    _, out, _ = command(
        "lengths", "--tested", 1500, "--each", 0.15, "--leaks", 3, "--metres", 500, "--strands", 40, "--confidence", 95
    )
    assert "(20000 m) in at least 0 %." in out
    assert "e-" not in out


def test_command_gives_the_promised_keys(command):
    words = ["--tested", 900, "--each", 0.15, "--leaks", 4, "--show", 2, "--against", 300, 9, "--json"]
    code, out, _ = command("lengths", *words)
    data = json.loads(out)
    assert code == 0
    found = limits(Count(900, 0.15, 4), 0.95)
    assert data["share_leaking_at_most"] == close(found.share)
    assert data["leaks_per_metre_at_most"] == close(found.per_metre)
    assert data["tested_needed"] == lengths_needed(0.15, 0.002, 0.95)
    assert data["p_value"] == close(fisher_exact([[4, 896], [9, 291]]).pvalue)
    assert "magnet" in data["caution"]


def test_command_tells_how_much_to_test_before_any_test(command):
    code, out, _ = command("lengths", "--each", 0.15, "--show", 1)
    assert code == 0
    assert "19972 lengths" in out
    assert "at most 1 leak per km" in out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--each", 0.15], "--tested"),
        (["--each", 0.15, "--tested", 0], "0 tested"),
        (["--each", 0.15, "--tested", 10, "--leaks", 11], "11 of 10"),
        (["--each", 0.15, "--tested", 10, "--leaks", -1], "-1 of 10"),
        (["--each", 0, "--tested", 10], "must be finite and above 0"),
        (["--each", "nan", "--tested", 10], "must be finite and above 0"),
        (["--each", "inf", "--tested", 10], "must be finite and above 0"),
        (["--each", 0.15, "--tested", 10, "--confidence", 100], "between 0 and 100"),
        (["--each", 0.15, "--tested", 10, "--confidence", "nan"], "between 0 and 100"),
        (["--each", 0.15, "--tested", 10, "--metres", -3], "must be finite and above 0"),
        (["--each", 0.15, "--tested", 10, "--metres", 3, "--strands", 0], "strands"),
        (["--each", 0.15, "--tested", 10, "--strands", 2], "--metres"),
        (["--each", 0.15, "--tested", 10, "--against-each", 2], "--against"),
        (["--each", 0.15, "--tested", 10, "--against", 3, 4], "4 of 3"),
        (["--each", 0.15, "--show", 1, "--leaks", 2], "--tested"),
        (["--each", 0.15, "--show", 0], "above 0"),
        (["--each", 0.15, "--show", 1e-12], "at most"),
    ],
)
def test_command_refuses_in_one_line(command, words, why):
    code, out, err = command("lengths", *words)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert why in err


def test_a_count_refuses_what_cannot_be():
    with pytest.raises(InputError, match="allowed are 1 to"):
        Count(10**10, 0.15, 0)
