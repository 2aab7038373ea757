"""Every estimator of rates against R on generated data; R's command stands in each script.

The default interval has no counterpart in R. Its parts do, and R puts them together here:
svymean for the linearised variance, the mean squares of lm for the correlations, qt for the
quantile, and prop.test for the score interval on the effective number.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.clustered import (
    anova_icc,
    clustered_interval,
    design_effect,
    linearised_variance,
    unit_clustering,
)
from reports.statistics.intervals import (
    clopper_pearson,
    jeffreys,
    normal_quantile,
    score_interval,
    student_quantile,
    wilson,
)
from reports.statistics.survey_methods import arcsine_interval, korn_graubard, logit_interval
from tests.build.r import r_versions, run_r

SEED = 20261128

# R 4.2.2: prop.test, binom.test, qbeta of package stats.
SINGLE = """
lapply(seq_along(data$x), function(i) {
  x <- data$x[i]; n <- data$n[i]; level <- data$level[i]; tail <- (1 - level) / 2
  # prop.test warns that its test, not its interval, is rough where few are expected.
  score <- suppressWarnings(prop.test(x, n, conf.level = level, correct = FALSE))$conf.int
  exact <- binom.test(x, n, conf.level = level)$conf.int
  beta <- qbeta(c(tail, 1 - tail), x + 0.5, n - x + 0.5)
  if (x == 0) beta[1] <- 0
  if (x == n) beta[2] <- 1
  list(wilson = c(score), exact = c(exact), jeffreys = beta)
})
"""

# R 4.2.2 with survey 4.1-1: svymean, lm's analysis of variance, qt, prop.test.
DEFAULT = """
mean_squares <- function(model) { table <- anova(model); rows <- nrow(table)
  c(between = table[["Mean Sq"]][rows - 1], within = table[["Mean Sq"]][rows],
    df = table[["Df"]][rows - 1]) }
icc <- function(screws) {
  # suppressWarnings: lm warns where it fits perfectly, as without an event.
  many <- length(unique(screws$surgeon)) > 1
  found <- suppressWarnings(mean_squares(
    if (many) lm(y ~ factor(surgeon) + factor(surgeon):factor(patient), data = screws)
    else lm(y ~ factor(patient), data = screws)))
  spread <- sum(sapply(split(screws, screws$surgeon), function(part) {
    m <- table(part$patient); sum(m) - sum(m^2) / sum(m) }))
  m0 <- spread / found[["df"]]
  (found[["between"]] - found[["within"]]) / (found[["between"]] + (m0 - 1) * found[["within"]])
}
lapply(data, function(unit) {
  screws <- data.frame(surgeon = unit$surgeon, patient = unit$patient, y = unit$event)
  own <- screws[screws$surgeon == unit$shown, ]
  design <- svydesign(ids = ~patient, weights = ~1, data = own)
  found <- svymean(~y, design)
  m <- table(own$patient); n <- nrow(own); p <- mean(own$y)
  rho_u <- icc(screws); rho_s <- icc(own)
  K_u <- length(unique(screws$patient))
  B_u <- length(unique(screws$patient[screws$y == 1]))
  rho_p <- (K_u * max(rho_u, 0) + 2.5) / (K_u + 25)
  variance <- c(vcov(found))
  d_lin <- variance / (p * (1 - p) / n)
  deff <- max(1 + (sum(m^2) / n - 1) * max(rho_s, rho_p), d_lin)
  df <- (B_u + 8) * K_u / length(m)
  t <- qt(0.975, df)
  limits <- suppressWarnings(
    prop.test(sum(own$y) / deff, n / deff, conf.level = 1 - 2 * pnorm(-t), correct = FALSE))
  list(rate = c(coef(found)), variance = variance, d_lin = d_lin, rho_u = rho_u, rho_s = rho_s,
       rho_p = rho_p, deff = deff, df = df, t = t, limits = c(limits$conf.int))
})
"""


# R 4.2.2 with survey 4.1-1: svyciprop.
SURVEY = """
lapply(data, function(unit) {
  own <- data.frame(patient = unit$patient, y = unit$event)
  design <- svydesign(ids = ~patient, weights = ~1, data = own)
  limits <- function(method) c(attr(svyciprop(~y, design, method = method), "ci"))
  list(logit = limits("logit"), xlogit = limits("xlogit"), arcsine = limits("asin"),
       beta = limits("beta"))
})
"""


@pytest.fixture(scope="module", autouse=True)
def versions():
    print("\n", r_versions("survey"))


def drawn_units(count):
    """Return units of three surgeons, patients' own rates from a beta, with events shown."""
    rng = np.random.default_rng(SEED)
    units = []
    while len(units) < count:
        patients = int(rng.integers(9, 60))
        rate, rho = rng.uniform(0.03, 0.3), rng.uniform(0.02, 0.4)
        sizes = rng.integers(2, 17, patients)
        shape = (1 - rho) / rho
        own = np.repeat(rng.beta(rate * shape, (1 - rate) * shape, patients), sizes)
        patient = np.repeat(np.arange(patients), sizes)
        surgeon = np.repeat(np.arange(patients) % 3, sizes)
        event = (rng.random(len(own)) < own).astype(int)
        shown = event[surgeon == 1]
        if 0 < shown.sum() < len(shown):
            units.append({
                "surgeon": surgeon.tolist(), "patient": patient.tolist(),
                "event": event.tolist(), "shown": 1,
            })  # fmt: skip
    return units


def test_the_plain_intervals_are_those_of_prop_test_and_binom_test():
    rng = np.random.default_rng(SEED)
    sizes = rng.integers(1, 2000, 200)
    events = rng.binomial(sizes, rng.choice([0, 0.01, 0.05, 0.3, 0.9, 1], 200))
    levels = rng.choice([0.5, 0.9, 0.95, 0.998], 200)
    found = run_r(SINGLE, {"x": events.tolist(), "n": sizes.tolist(), "level": levels.tolist()})
    assert (events == 0).sum() > 20
    assert (events == sizes).sum() > 20
    cases = zip(events.tolist(), sizes.tolist(), levels.tolist(), found, strict=True)
    for x, n, level, theirs in cases:
        for name, ours in (("wilson", wilson), ("exact", clopper_pearson), ("jeffreys", jeffreys)):
            limits = ours(x, n, level)
            assert (limits.low, limits.high) == pytest.approx(theirs[name], abs=1e-9), (name, x, n)


def test_the_default_interval_and_its_parts_are_those_that_r_puts_together():
    units = drawn_units(40)
    for unit, theirs in zip(units, run_r(DEFAULT, units, packages=("survey",)), strict=True):
        surgeon, patient, event = (np.array(unit[key]) for key in ("surgeon", "patient", "event"))
        clustering = unit_clustering(event.astype(bool), patient, surgeon)
        own = surgeon == unit["shown"]
        sizes = np.bincount(patient[own])
        events = np.bincount(patient[own], weights=event[own]).astype(int)
        result = clustered_interval(events, sizes, clustering)
        assert linearised_variance(events, sizes) == pytest.approx(theirs["variance"], rel=1e-9)
        assert design_effect(events, sizes) == pytest.approx(theirs["d_lin"], rel=1e-9)
        assert anova_icc(events, sizes) == pytest.approx(theirs["rho_s"], abs=1e-9)
        ours = {
            "rate": result.rate, "rho_u": clustering.rho, "rho_p": result.pooled_rho,
            "deff": result.design_effect, "df": result.df, "t": result.quantile,
        }  # fmt: skip
        assert ours == pytest.approx({key: theirs[key] for key in ours}, abs=1e-9)
        limits = (result.interval.low, result.interval.high)
        assert limits == pytest.approx(theirs["limits"], abs=1e-9)


def test_the_methods_of_survey_software_are_those_of_svyciprop():
    methods = {
        "logit": logit_interval, "xlogit": logit_interval, "arcsine": arcsine_interval,
        "beta": korn_graubard,
    }  # fmt: skip
    units = drawn_units(40)
    kept = clipped = 0
    for unit, theirs in zip(units, run_r(SURVEY, units, packages=("survey",)), strict=True):
        patient, event = np.array(unit["patient"]), np.array(unit["event"])
        sizes = np.bincount(patient)
        events = np.bincount(patient, weights=event).astype(int)
        for name, method in methods.items():
            limits = method(events, sizes)
            if name == "arcsine" and limits.low == 0:
                clipped += 1
                assert limits.high == pytest.approx(theirs[name][1], abs=1e-9)
            elif name == "beta" and design_effect(events, sizes) < 1.1:
                kept += 1  # R lets the effective number be above n
            else:
                # R finds "logit" by fitting until the deviance changes by less than 1e-8.
                near = 1e-6 if name == "logit" else 1e-9
                assert (limits.low, limits.high) == pytest.approx(theirs[name], abs=near), name
    assert kept + clipped < 20


def test_the_quantiles_are_those_of_qnorm_and_qt():
    levels, dfs = [0.5, 0.8, 0.95, 0.998, 0.99999], [0.5, 1, 8, 28.5, 1e4, 1e8]
    # R 4.2.2: qnorm, qt of package stats.
    script = "lapply(data$level, function(l) c(qnorm(0.5 + l/2), qt(0.5 + l/2, data$df)))"
    for level, theirs in zip(levels, run_r(script, {"level": levels, "df": dfs}), strict=True):
        ours = [normal_quantile(level), *(student_quantile(level, df) for df in dfs)]
        assert ours == pytest.approx(theirs, rel=1e-7)


def test_the_score_interval_of_counts_that_are_not_whole_is_that_of_prop_test():
    rng = np.random.default_rng(SEED + 1)
    sizes = rng.uniform(0.5, 300, 100)
    events = sizes * rng.uniform(0, 1, 100)
    script = """
    mapply(function(x, n) suppressWarnings(prop.test(x, n, correct = FALSE))$conf.int,
           data$x, data$n, SIMPLIFY = FALSE)
    """
    found = run_r(script, {"x": events.tolist(), "n": sizes.tolist()})
    for x, n, theirs in zip(events, sizes, found, strict=True):
        limits = score_interval(x, n, normal_quantile(0.95))
        assert (limits.low, limits.high) == pytest.approx(theirs, abs=1e-9)
