"""Cox regression against published and recomputed coefficients, and statsmodels for late entry."""

import numpy as np
import pytest
import statsmodels.api as sm
from lifelines.datasets import load_rossi
from sksurv.datasets import load_veterans_lung_cancer
from SurvSet.data import SurvLoader

from models.estimators.cox import CoxRegression

# Freireich et al. (1963), Blood 21, 699-716: weeks in remission with 6-mercaptopurine and with placebo.
TREATED_SEEN, TREATED_CENSORED = [6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def coefficients(model):
    """Per unit of the feature instead of per standard deviation."""
    return model.coefficients_ / model.linear_.scale


def test_remission_data():
    time = np.array(TREATED_SEEN + TREATED_CENSORED + CONTROL, dtype=float)
    event = np.r_[np.ones(9), np.zeros(12), np.ones(21)].astype(bool)
    treated = np.r_[np.ones(21), np.zeros(21)][:, None]
    # -1.5721 with Efron's ties, in many textbooks (Breslow's would be -1.5092).
    assert coefficients(CoxRegression(ridge=0).fit(treated, time, event))[0] == pytest.approx(-1.5721, abs=5e-5)


def test_rossi():
    # Rossi et al. (1980) recidivism data as shipped with lifelines; same values in several libraries' tests.
    data = load_rossi()
    columns = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    model = CoxRegression(ridge=0).fit(data[columns], data["week"], data["arrest"] == 1)
    np.testing.assert_allclose(
        coefficients(model), [-0.3794, -0.0574, 0.3139, -0.1498, -0.4337, -0.0849, 0.0915], atol=5e-5
    )


def test_veteran():
    # Kalbfleisch & Prentice's veterans' lung cancer trial as shipped with scikit-survival; recomputed, Efron.
    X, y = load_veterans_lung_cancer()
    cell = X["Celltype"]
    design = np.column_stack(
        [
            X["Treatment"] == "test",
            cell == "smallcell",
            cell == "adeno",
            cell == "large",
            X["Karnofsky_score"],
            X["Months_from_Diagnosis"],
            X["Age_in_years"],
            X["Prior_therapy"] == "yes",
        ]
    ).astype(float)
    model = CoxRegression(ridge=0).fit(design, y["Survival_in_days"], y["Status"])
    expected = [0.2946, 0.8616, 1.1961, 0.4013, -0.0328, 0.0, -0.0087]
    np.testing.assert_allclose(coefficients(model)[:7], expected, atol=1.05e-4)
    # The source coded prior therapy 0 and 10: .0072 a unit of that.
    assert coefficients(model)[7] / 10 == pytest.approx(0.0072, abs=5e-5)


# The package stores its sets as pickles of an older numpy.
@pytest.mark.filterwarnings("ignore:numpy.core:DeprecationWarning")
def test_hard_drives():
    # hdfail of the package SurvSet: 52,422 drives, 2,885 failures; recomputed, Efron.
    data = SurvLoader().load_dataset(ds_name="hdfail")["df"]
    columns = ["num_temp", "fac_rsc", "fac_rer", "fac_psc"]
    model = CoxRegression(ridge=0).fit(data[columns].astype(float), data["time"], data["event"] == 1)
    np.testing.assert_allclose(coefficients(model), [-0.0910, 0.6759, 1.5315, 1.9438], atol=1e-3)


@pytest.mark.parametrize("tied", [True, False])
def test_late_entry_agrees_with_statsmodels(tied):
    rng = np.random.default_rng(11)
    X = rng.normal(size=(500, 3))
    died = rng.exponential(20 / np.exp(X @ [0.6, -0.3, 0.0]))
    followed = rng.uniform(5, 60, 500)
    time = np.ceil(np.minimum(died, followed)) if tied else np.minimum(died, followed)
    entry = np.where(rng.random(500) < 0.5, rng.uniform(0, 15, 500), 0)
    seen = time > entry
    X, time, entry, event = X[seen], time[seen], entry[seen], (died <= followed)[seen]
    ours = CoxRegression(ridge=0).fit(X, time, event, entry)
    theirs = sm.PHReg(time, X, status=event.astype(int), entry=entry, ties="efron").fit(disp=0)
    np.testing.assert_allclose(coefficients(ours), theirs.params, atol=1e-6)
    if not tied:  # statsmodels' baseline is Breslow's, the same as Efron's only without ties
        days, cumulative, _ = theirs.baseline_cumulative_hazard[0]
        at = np.quantile(time[event], [0.1, 0.5, 0.9])
        # statsmodels reports the hazard before each day's own step.
        expected = [cumulative[np.searchsorted(days, t, side="right")] for t in at]
        np.testing.assert_allclose(-np.log(ours.predict_survival(np.zeros((1, 3)), at)[0]), expected, rtol=1e-5)
