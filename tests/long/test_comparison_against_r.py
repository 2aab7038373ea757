"""Comparison and case mix against R on generated data; R's command stands in each script.

The difference's own interval has no counterpart in R: its parts are checked, the correlation of
the two rates, the ratio's standard error, and Newcombe's formula in tests/statistics. The case-mix
model has none either: R's glm puts it together here from its written definition.
"""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from reports.statistics.calibration import discrimination
from reports.statistics.case_mix import CaseMix, Factor, case_mix
from reports.statistics.clustered import design_effect, unit_clustering
from reports.statistics.comparison import (
    Proportion,
    benjamini_hochberg,
    compare,
    holm,
    ratio,
)
from reports.statistics.observed_expected import observed_over_expected
from reports.statistics.trend import trend
from tests.build.r import r_versions, run_r
from tests.statistics.clustered_outcomes import outcomes

SEED = 20261128

# R 4.2.2 with survey 4.1-1: svyby with its covariances, svycontrast for the log of the ratio.
TWO_GROUPS = """
lapply(data, function(one) {
  screws <- data.frame(patient = one$patient, group = one$group, y = one$event)
  design <- svydesign(ids = ~patient, weights = ~1, data = screws)
  found <- svyby(~y, ~group, design, svymean, covmat = TRUE)
  contrast <- svycontrast(found, quote(log(a / b)))
  list(rates = unname(coef(found)), correlation = cov2cor(vcov(found))[1, 2],
       log_ratio = unname(coef(contrast)), se = unname(c(SE(contrast))))
})
"""

# R 4.2.2: glm and qt of package stats; the correction of Mancl and DeRouen by its definition.
SANDWICH = """
corrected <- function(model, patient) {
  x <- model.matrix(model); p <- fitted(model); w <- model$prior.weights * p * (1 - p)
  bread <- solve(t(x) %*% (x * w))
  meat <- Reduce(`+`, lapply(split(seq_along(patient), patient), function(rows) {
    own <- x[rows, , drop = FALSE]
    leverage <- (own * w[rows]) %*% bread %*% t(own)
    kept <- solve(diag(length(rows)) - leverage, (model$y - p)[rows])
    tcrossprod(t(own) %*% kept) }))
  bread %*% meat %*% bread
}
"""

TREND = (
    SANDWICH
    + """
lapply(data, function(one) {
  model <- glm(one$event ~ one$quarter, family = binomial, control = glm.control(1e-14, 100))
  se <- sqrt(corrected(model, one$patient)[2, 2]); b <- unname(coef(model)[2])
  df <- length(unique(one$patient)) - 2
  list(limits = exp(b + c(0, -1, 1) * qt(0.975, df) * se), p = 2 * pt(-abs(b) / se, df))
})
"""
)

# R 4.2.2: glm on the screws and one record more for each term (log-F(1, 1) prior), the bread of
# both, the meat of the screws; Wald blocks; glm with an offset for the intercept.
CASE_MIX = """
lapply(data, function(one) {
  screws <- data.frame(y = one$event, a = 1 * (one$level == "high"), b1 = 1 * (one$bone == "poor"),
                       b2 = 1 * (one$bone == "worse"))
  x <- cbind(1, as.matrix(screws[, -1])); n <- nrow(x)
  more <- rbind(x, cbind(0, diag(3)))
  fit <- suppressWarnings(glm.fit(more, c(screws$y, rep(0.5, 3)), weights = rep(1, n + 3),
    family = binomial(), control = glm.control(1e-14, 100)))
  beta <- fit$coefficients; p <- plogis(c(x %*% beta)); w <- p * (1 - p)
  held <- plogis(beta[-1]); bread <- solve(t(x) %*% (x * w) + diag(c(0, held * (1 - held))))
  meat <- Reduce(`+`, lapply(split(seq_len(n), one$patient), function(rows) {
    own <- x[rows, , drop = FALSE]
    leverage <- (own * w[rows]) %*% bread %*% t(own)
    tcrossprod(t(own) %*% solve(diag(length(rows)) - leverage, (screws$y - p)[rows])) }))
  v <- bread %*% meat %*% bread
  share <- function(at) {
    wald <- t(beta[at]) %*% solve(v[at, at]) %*% beta[at]; max(0, 1 - length(at) / c(wald)) }
  shares <- c(share(2), share(3:4))
  moved <- c(x[, -1] %*% (beta[-1] * shares[c(1, 2, 2)]))
  again <- glm(screws$y ~ 1, offset = moved, family = binomial,
               control = glm.control(1e-14, 100))
  list(odds = exp(unname(beta[-1])), shares = shares, expected = unname(fitted(again)))
})
"""


@pytest.fixture(scope="module", autouse=True)
def versions():
    print("\n", r_versions("survey"))


def test_correlation_and_ratio_are_those_of_survey_where_every_patient_has_both():
    rng = np.random.default_rng(SEED)
    drawn, ours = [], []
    while len(drawn) < 30:
        patients = int(rng.integers(8, 50))
        own = rng.beta(1, 4, patients)
        sizes = rng.integers(1, 8, (2, patients))
        events = rng.binomial(sizes, own)
        if not events.sum(axis=1).all() or (events == sizes).all():
            continue
        ours.append((events, sizes))
        columns = {"patient": [], "group": [], "event": []}
        for group, name in enumerate("ab"):
            for patient in range(patients):
                size, count = int(sizes[group, patient]), int(events[group, patient])
                columns["patient"] += [patient] * size
                columns["group"] += [name] * size
                columns["event"] += [1] * count + [0] * (size - count)
        drawn.append(columns)
    for (events, sizes), theirs in zip(ours, run_r(TWO_GROUPS, drawn, packages=("survey",)),
                                       strict=True):  # fmt: skip
        both = events.sum(axis=0), sizes.sum(axis=0)
        patients = np.arange(len(both[0]))
        unit = unit_clustering(
            np.repeat(both[0] > 0, 1), patients, np.zeros(len(patients), dtype=np.int64)
        )
        found = compare((events[0], sizes[0]), (events[1], sizes[1]), unit)
        rates = events.sum(axis=1) / sizes.sum(axis=1)
        assert rates == pytest.approx(theirs["rates"], abs=1e-12)
        assert found.correlation == pytest.approx(min(max(theirs["correlation"], 0), 0.95))
        effects = [design_effect(y, m) for y, m in zip(events, sizes, strict=True)]
        parts = [
            Proportion(y.sum() / effect, m.sum() / effect)
            for y, m, effect in zip(events, sizes, effects, strict=True)
        ]
        linearised = ratio(*parts, correlation=theirs["correlation"])
        assert log(linearised.value) == pytest.approx(theirs["log_ratio"])
        se = (log(linearised.high) - log(linearised.low)) / (2 * 1.959963984540054)
        assert se == pytest.approx(theirs["se"], rel=1e-8)


def test_adjusted_p_values_are_those_of_p_adjust():
    rng = np.random.default_rng(SEED + 1)
    drawn = [np.round(rng.random(int(count)) ** 2, 3).tolist() for count in rng.integers(2, 30, 40)]
    # R 4.2.2: p.adjust of package stats.
    script = 'lapply(data, function(p) list(p.adjust(p, "holm"), p.adjust(p, "BH")))'
    for p_values, (by_holm, by_share) in zip(drawn, run_r(script, drawn), strict=True):
        assert holm(p_values) == pytest.approx(by_holm)
        assert benjamini_hochberg(p_values) == pytest.approx(by_share)


def test_the_trend_is_that_of_glm_with_the_patients_sandwich():
    drawn, ours = [], []
    for seed in range(12):
        events, patients, *_ = outcomes(SEED + seed, patients=60)
        quarters = np.random.default_rng(seed).integers(0, 9, 60)[patients]
        ours.append(trend(events, quarters, patients))
        drawn.append({
            "event": events.astype(int).tolist(), "quarter": quarters.tolist(),
            "patient": patients.tolist(),
        })  # fmt: skip
    for found, theirs in zip(ours, run_r(TREND, drawn), strict=True):
        odds = found.odds_ratio
        assert (odds.value, odds.low, odds.high) == pytest.approx(theirs["limits"], rel=1e-7)
        assert found.p_value == pytest.approx(theirs["p"], rel=1e-6)


def test_the_case_mix_model_is_the_one_that_r_puts_together():
    drawn, ours = [], []
    for seed in range(8):
        events, patients, is_high, is_poor = outcomes(
            SEED + seed, patients=140, level=1.1, bone=0.6
        )
        is_worse = (np.random.default_rng(seed).random(140) < 0.3)[patients]
        level = np.where(is_high, "high", "low")
        bone = np.where(is_worse, "worse", np.where(is_poor, "poor", "good"))
        unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
        found = case_mix(events, patients, [Factor("level", level), Factor("bone", bone)], unit)
        assert isinstance(found, CaseMix)
        assert [term.category for term in found.terms] == ["high", "poor", "worse"]
        ours.append(found)
        drawn.append({
            "event": events.astype(int).tolist(), "patient": patients.tolist(),
            "level": level.tolist(), "bone": bone.tolist(),
        })  # fmt: skip
    for found, theirs in zip(ours, run_r(CASE_MIX, drawn), strict=True):
        odds = [term.odds_ratio.value for term in found.terms]
        assert odds == pytest.approx(theirs["odds"], rel=1e-6)
        assert list(found.shares.values()) == pytest.approx(theirs["shares"], abs=1e-6)
        assert found.expected == pytest.approx(np.array(theirs["expected"]), abs=1e-7)


def test_observed_over_expected_and_the_c_statistic_are_those_of_r():
    rng = np.random.default_rng(SEED + 2)
    observed, expected = rng.integers(0, 60, 30), rng.uniform(0.5, 60, 30)
    # R 4.2.2: poisson.test of package stats.
    script = """mapply(function(o, e) poisson.test(o, T = e)$conf.int, data$o, data$e,
                       SIMPLIFY = FALSE)"""
    told = run_r(script, {"o": observed.tolist(), "e": expected.tolist()})
    for o, e, limits in zip(observed, expected, told, strict=True):
        found = observed_over_expected(int(o), float(e))
        assert (found.low, found.high) == pytest.approx(limits, abs=1e-9)
    events, patients, is_high, is_poor = outcomes(SEED, bone=0.5)
    predicted = np.round(0.1 + 0.1 * is_high + 0.05 * is_poor, 2)
    # R 4.2.2: wilcox.test of package stats; suppressWarnings: its p-value is not exact with ties.
    script = """suppressWarnings(wilcox.test(data$p[data$y == 1], data$p[data$y == 0]))$statistic /
                (sum(data$y == 1) * sum(data$y == 0))"""
    c = run_r(script, {"p": predicted.tolist(), "y": events.astype(int).tolist()})
    value = c["W"] if isinstance(c, dict) else c
    assert discrimination(events, predicted, patients).value == pytest.approx(value)
