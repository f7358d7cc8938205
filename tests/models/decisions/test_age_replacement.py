import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import weibull_min

from models.base.errors import BadInput
from models.decisions.age_replacement import age_policy_from_record
from models.survival.kaplan_meier import kaplan_meier
from tests.studies.age_of_a_law import age_policy


@pytest.mark.parametrize(("shape", "failure"), [(1.5, 4.0), (2.0, 10.0), (3.5, 2.0)])
def test_at_the_best_age_the_next_moment_costs_what_the_average_does(shape, failure):
    # First-order condition of Barlow & Proschan 1965: hazard times life lived less failed share = cp / (cf - cp).
    law = weibull_min(shape, scale=100)
    policy = age_policy(law.sf, 1.0, failure, 800.0)
    hazard = law.pdf(policy.age) / law.sf(policy.age)
    assert hazard * quad(law.sf, 0, policy.age)[0] - law.cdf(policy.age) == pytest.approx(1 / (failure - 1), rel=1e-5)
    assert policy.cost_rate < policy.run_to_failure_rate


@pytest.mark.parametrize(("shape", "planned", "failure"), [(1.0, 1.0, 5.0), (0.7, 1.0, 5.0), (3.0, 5.0, 1.0)])
def test_without_wear_or_without_a_dearer_failure_age_is_no_reason(shape, planned, failure):
    law = weibull_min(shape, scale=100)
    policy = age_policy(law.sf, planned, failure, 3000.0)
    assert policy.age == np.inf
    assert policy.cost_rate == policy.run_to_failure_rate == pytest.approx(failure / law.mean(), rel=1e-6)


def test_units_of_time_and_money_only_scale_the_answer():
    base = age_policy(weibull_min(2.5, scale=100).sf, 1, 5, 400)
    days = age_policy(weibull_min(2.5, scale=3000).sf, 100, 500, 12000)
    assert days.age == pytest.approx(30 * base.age, rel=1e-5)
    assert days.cost_rate == pytest.approx(base.cost_rate * 100 / 30, rel=1e-8)


def test_a_long_record_leads_to_the_policy_of_its_law():
    law = weibull_min(3.0, scale=100)
    true = age_policy(law.sf, 1, 8, 500)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        life, seen = law.rvs(20_000, random_state=rng), rng.uniform(0, 250, 20_000)
        curve = kaplan_meier(np.minimum(life, seen), life <= seen)
        found = age_policy_from_record(curve, 1, 8)
        assert found.cost_rate == pytest.approx(true.cost_rate, rel=0.03)
        assert found.age == pytest.approx(true.age, rel=0.15)


def test_a_record_by_hand():
    # Four lives of 2, 4, 6 and 8, planned 1 and failure 4: just before 2, 4, 6, 8 and at the end, the rate is
    # 1/2, 1.75/3.5, 2.5/4.5, 3.25/5, 4/5.
    policy = age_policy_from_record(kaplan_meier([2.0, 4, 6, 8], [True] * 4), 1, 4)
    assert (policy.age, policy.cost_rate, policy.run_to_failure_rate) == (2.0, 0.5, pytest.approx(0.8))
    assert not policy.run_to_failure_is_bound


def test_a_record_that_ends_early_gives_a_bound():
    policy = age_policy_from_record(kaplan_meier([2.0, 4, 9, 9], [True, True, False, False]), 1, 1.2)
    assert policy.run_to_failure_is_bound
    assert policy.run_to_failure_rate == pytest.approx(1.2 / (2 + 1.5 + 2.5))


@pytest.mark.parametrize(
    "call",
    [
        lambda: age_policy_from_record(kaplan_meier([2.0], [True]), 0, 5),
        lambda: age_policy(weibull_min(2, scale=100).sf, 1, 5, 50),
        lambda: age_policy_from_record(kaplan_meier([2.0], [False]), 1, 5),
        lambda: age_policy_from_record(kaplan_meier([2.0], [True]), 1, -5),
    ],
)
def test_what_has_no_answer_is_refused(call):
    with pytest.raises(BadInput):
        call()
