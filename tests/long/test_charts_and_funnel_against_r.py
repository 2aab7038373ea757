"""Funnel, shrunken rates, charts, calibration and the rarer intervals against R on generated data.

R has no function for most of these: its distributions, quadrature and recursions put them together
here from their written definitions. R's command stands in each script.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.calibration import calibration
from reports.statistics.clustered import UnitClustering, clustered_interval, unit_clustering
from reports.statistics.funnel import funnel_limits, spread, widened_additive
from reports.statistics.intervals import exact_limits, mid_p
from reports.statistics.missing import Observed, like_the_observed
from reports.statistics.moved_alike import moved_alike
from reports.statistics.observed_expected import byar_limits
from reports.statistics.run_lengths import markov_run_length, operations, steps
from reports.statistics.second_read import SecondReads, corrected_rate
from reports.statistics.sequential import cusum, ewma, scores
from reports.statistics.shrinkage import shrunken
from reports.statistics.survey_methods import fleiss_cuzick, plain_mean_interval
from tests.build.r import r_versions, run_r
from tests.statistics.clustered_outcomes import outcomes

SEED = 20261129

# R 4.2.2: pbinom of package stats; the exact limits interpolated by their definition.
FUNNEL = """
limit <- function(q, n, t) {
  r <- min(which(pbinom(0:n, n, t) >= q)) - 1
  a <- (pbinom(r, n, t) - q) / (pbinom(r, n, t) - pbinom(r - 1, n, t))
  min(1, max(0, (r - a) / n))
}
lapply(seq_along(data$n), function(i) {
  n <- data$n[i]; t <- data$t[i]; low <- floor(n); part <- n - low
  ends <- sapply(c(0.001, 0.999), function(q)
    (1 - part) * limit(q, low, t) + part * limit(q, low + 1, t))
  c(min(ends[1], t), max(ends[2], t))
})
"""

# R 4.2.2: quantile (type 7) and pchisq of package stats.
SPREAD = """
w <- data$n / (data$t * (1 - data$t)); z <- (data$p - data$t) * sqrt(w)
ends <- quantile(z, c(0.1, 0.9)); pulled <- pmin(pmax(z, ends[1]), ends[2])
phi <- mean(pulled^2); i <- length(z)
tau <- max(0, (i * phi - (i - 1)) / (sum(w) - sum(w^2) / sum(w)))
c(phi, pchisq(i * phi, i, lower.tail = FALSE), tau)
"""

# R 4.2.2: lbeta, pbeta and uniroot; the same grid of spreads as the model's own.
SHRUNKEN = """
s <- seq(0.01, 2, length.out = 100); t <- data$t
m <- 1 / (s^2 * t * (1 - t)) - 1; s <- s[m > 0]; m <- m[m > 0]; a <- t * m; b <- (1 - t) * m
l <- -0.5 * (s / 0.5)^2
for (i in seq_along(data$x)) l <- l + lbeta(data$x[i] + a, data$n[i] - data$x[i] + b) - lbeta(a, b)
w <- exp(l - max(l)); w <- w / sum(w)
lapply(seq_along(data$x), function(i) {
  one <- data$x[i] + a; two <- data$n[i] - data$x[i] + b
  at <- function(q) uniroot(function(p) sum(w * pbeta(p, one, two)) - q, c(0, 1), tol = 1e-13)$root
  c(sum(w * one / (one + two)), at(0.025), at(0.975))
})
"""

# R 4.2.2: Reduce for both recursions.
CHARTS = """
w <- ifelse(data$y == 1, log(2), 0) - log(1 - data$e + 2 * data$e)
chart <- Reduce(function(c, w) max(0, c + w), w, accumulate = TRUE, 0)[-1]
mean <- Reduce(function(s, v) 0.2 * v + 0.8 * s, data$v, accumulate = TRUE, data$t)[-1]
variance <- Reduce(function(s, v) 0.04 * v + 0.64 * s, data$var, accumulate = TRUE, 0)[-1]
list(chart = chart, mean = mean, sd = sqrt(variance))
"""

# R 4.2.2: beta-binomial by lbeta and lchoose; Brook and Evans' chain by solve.
RUN_LENGTH = """
a <- data$p * (1 - data$rho) / data$rho; b <- (1 - data$p) * (1 - data$rho) / data$rho
y <- 0:data$m
share <- exp(lchoose(data$m, y) + lbeta(y + a, data$m - y + b) - lbeta(a, b))
value <- y * log(2) - data$m * log(1 + data$p); k <- 400; width <- data$h / (k - 0.5)
chain <- matrix(0, k, k + 1)
for (i in 0:(k - 1)) for (j in seq_along(y)) {
  at <- max(0, i + value[j] / width); low <- floor(at); part <- at - low
  if (low < k) chain[i + 1, low + 1] <- chain[i + 1, low + 1] + share[j] * (1 - part)
  if (low + 1 < k) chain[i + 1, low + 2] <- chain[i + 1, low + 2] + share[j] * part
}
solve(diag(k) - chain[, 1:k], rep(1, k))[1]
"""

# R 4.2.2: glm of package stats, by offset and by slope.
CALIBRATION = """
odds <- qlogis(data$p); exact <- glm.control(1e-14, 100)
large <- glm(data$y ~ 1 + offset(odds), family = binomial, control = exact)
slope <- glm(data$y ~ odds, family = binomial, control = exact)
early <- data$early == 1
moved <- glm(data$y[early] ~ 1 + offset(odds[early]), family = binomial, control = exact)
list(large = unname(coef(large)), slope = unname(coef(slope)[2]),
     brier = mean((data$y - data$p)^2), moved = unname(plogis(odds + coef(moved))))
"""

# R 4.2.2: uniroot on pbinom (mid-P), binom.test (exact), and Byar's formula with qnorm.
INTERVALS = """
z <- qnorm(0.975)
mapply(function(x, n) {
  more <- function(p) pbinom(x, n, p, lower.tail = FALSE) + dbinom(x, n, p) / 2 - 0.025
  less <- function(p) pbinom(x - 1, n, p) + dbinom(x, n, p) / 2 - 0.025
  at <- function(f) uniroot(f, c(1e-12, 1 - 1e-12), tol = 1e-13)$root
  c(at(more), at(less), binom.test(x, n)$conf.int,
    x * (1 - 1 / (9 * x) - z / (3 * sqrt(x)))^3,
    (x + 1) * (1 - 1 / (9 * (x + 1)) + z / (3 * sqrt(x + 1)))^3)
}, data$x, data$n, SIMPLIFY = FALSE)
"""

# R 4.2.2 with survey 4.1-1: svyciprop(method = "mean"), postStratify; Fleiss and Cuzick's formula.
SURVEY = """
y <- tapply(data$y, data$patient, sum); m <- tapply(data$y, data$patient, length)
p <- sum(y) / sum(m)
fc <- 1 - sum(y * (m - y) / m) / ((sum(m) - length(m)) * p * (1 - p))
screws <- data.frame(patient = data$patient, y = data$y, g = data$g)
plain <- svydesign(ids = ~patient, weights = ~1, data = screws)
mean <- svyciprop(~y, plain, method = "mean")
seen <- svydesign(ids = ~patient, weights = ~1, data = screws[data$seen == 1, ])
all <- postStratify(seen, ~g, as.data.frame(table(g = data$g), responseName = "Freq"))
list(fc = fc, mean = c(attr(mean, "ci")), like = unname(coef(svymean(~y, all))))
"""

# R 4.2.2: the estimator of double sampling by split and tapply.
SECOND = """
n <- length(data$first); rest <- data$share < 1
base <- sum(ifelse(rest, data$first, data$final)) / n
more <- sapply(split(seq_len(n)[rest], data$share[rest]), function(at) {
  read <- at[data$drawn[at] == 1]; length(at) / n * mean(data$final[read] - data$first[read]) })
base + sum(more)
"""


@pytest.fixture(scope="module", autouse=True)
def versions():
    print("\n", r_versions("survey"), f"seed {SEED}")


def test_funnel_limits_and_spread_are_those_of_pbinom_and_quantile():
    rng = np.random.default_rng(SEED)
    size, target = rng.uniform(3, 400, 60), rng.uniform(0.005, 0.3, 60)
    told = run_r(FUNNEL, {"n": size.tolist(), "t": target.tolist()})
    for n, t, limits in zip(size.tolist(), target.tolist(), told, strict=True):
        found = funnel_limits(t, n, 0.998)
        assert (found.low, found.high) == pytest.approx(limits, abs=1e-9)
    rates, effective = rng.uniform(0, 0.2, 14), rng.uniform(20, 300, 14)
    phi, p, tau = run_r(SPREAD, {"p": rates.tolist(), "n": effective.tolist(), "t": 0.06})
    apart = spread(rates.tolist(), effective.tolist(), 0.06)
    assert (apart.phi, apart.p_value, apart.tau_squared) == pytest.approx((phi, p, tau), rel=1e-9)
    plain = funnel_limits(0.06, 100, 0.95)
    wider = widened_additive(plain, 0.06, 100, apart)
    by = ((0.06 * 0.94 / 100 + tau) / (0.06 * 0.94 / 100)) ** 0.5
    assert wider.high == pytest.approx(min(1.0, 0.06 + by * (plain.high - 0.06)))


def test_shrunken_rates_are_those_of_the_mixture_in_r():
    rng = np.random.default_rng(SEED + 1)
    for target in (0.02, 0.08):
        n = rng.uniform(15, 300, 7)
        x = n * rng.uniform(0, 0.2, 7)
        told = run_r(SHRUNKEN, {"x": x.tolist(), "n": n.tolist(), "t": target})
        for one, theirs in zip(shrunken(x.tolist(), n.tolist(), target), told, strict=True):
            assert (one.value, one.low, one.high) == pytest.approx(theirs, abs=1e-8)


def test_charts_are_their_recursions_in_r_and_run_lengths_those_of_its_chain():
    rng = np.random.default_rng(SEED + 2)
    e, v, var = rng.uniform(0.01, 0.4, 300), rng.uniform(0, 0.2, 12), rng.uniform(1e-4, 1e-3, 12)
    y = rng.random(300) < e
    sent = {"y": y.astype(int).tolist(), "e": e.tolist(), "v": v.tolist(), "var": var.tolist()}
    told = run_r(CHARTS, sent | {"t": 0.05})
    without, having = scores(e, 2.0)
    assert cusum(np.where(y, having, without)) == pytest.approx(np.array(told["chart"]), abs=1e-9)
    average, deviation = ewma(v, var, 0.05)
    assert average == pytest.approx(np.array(told["mean"]))
    assert deviation == pytest.approx(np.array(told["sd"]))
    for size, rate, rho, limit in ((6, 0.05, 0.15, 3.0), (8, 0.1, 0.05, 4.5)):
        made = operations(np.full(size, rate), np.zeros(size, dtype=np.int64), 2.0)
        theirs = run_r(RUN_LENGTH, {"m": size, "p": rate, "rho": rho, "h": limit})
        ours = markov_run_length(*steps(made, rho), limit, states=400)
        assert ours == pytest.approx(theirs, rel=1e-6)


def test_calibration_is_that_of_glm():
    events, patients, is_high, is_poor = outcomes(SEED, bone=0.5)
    predicted = 0.05 + 0.12 * is_high + 0.06 * is_poor
    early = patients % 3 > 0
    sent = {"y": events.astype(int).tolist(), "p": predicted.tolist()}
    told = run_r(CALIBRATION, sent | {"early": early.astype(int).tolist()})
    unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
    found = calibration(events, predicted, patients, unit)
    assert found.in_the_large.value == pytest.approx(told["large"], abs=1e-8)
    assert found.slope.value == pytest.approx(told["slope"], abs=1e-8)
    assert found.brier == pytest.approx(told["brier"])
    moved = moved_alike(predicted, events, early)
    assert moved == pytest.approx(np.array(told["moved"]), abs=1e-8)


def test_mid_p_exact_and_byars_limits_are_those_of_r():
    rng = np.random.default_rng(SEED + 3)
    n = rng.integers(2, 400, 60)
    x = np.minimum(1 + rng.binomial(n, rng.uniform(0, 0.6, 60)), n - 1)
    told = run_r(INTERVALS, {"x": x.tolist(), "n": n.tolist()})
    exact = np.column_stack(exact_limits(x.astype(float), n.astype(float)))
    for events, size, ours, theirs in zip(x.tolist(), n.tolist(), exact, told, strict=True):
        found, byar = mid_p(events, size), byar_limits(events)
        assert (found.low, found.high) == pytest.approx(theirs[:2], abs=1e-9)
        assert ours == pytest.approx(np.array(theirs[2:4]), abs=1e-9)
        assert (byar.low, byar.high) == pytest.approx(theirs[4:], rel=1e-9)


def test_the_rarer_estimates_of_a_rate_are_those_of_survey_and_of_plain_r():
    rng = np.random.default_rng(SEED + 4)
    events, patients, is_high, _ = outcomes(SEED + 4, patients=60)
    seen = rng.random(len(events)) < 0.8
    sent = {"y": events.astype(int).tolist(), "patient": patients.tolist(),
            "g": is_high.astype(int).tolist(), "seen": seen.astype(int).tolist()}  # fmt: skip
    told = run_r(SURVEY, sent, packages=("survey",))
    sizes = np.bincount(patients)
    counted = np.bincount(patients, weights=events).astype(np.int64)
    assert fleiss_cuzick(counted, sizes) == pytest.approx(told["fc"])
    plain = plain_mean_interval(counted, sizes)
    assert (plain.low, plain.high) == pytest.approx(told["mean"], abs=1e-9)
    unit = UnitClustering(patients=60, patients_with_event=20, rho=0.1)
    known = clustered_interval(counted, sizes, unit)
    screws = Observed(patients, is_high.astype(np.int64), seen, events & seen)
    assert like_the_observed(screws, known).value == pytest.approx(told["like"])
    share = np.where(rng.random(len(events)) < 0.3, 1.0, np.where(is_high, 0.5, 0.25))
    final = events ^ (rng.random(len(events)) < 0.1)
    drawn = rng.random(len(events)) < share
    found = corrected_rate(SecondReads(patients, events, final, share, drawn), unit)
    sent = {"first": events.astype(int).tolist(), "final": final.astype(int).tolist(),
            "share": share.tolist(), "drawn": drawn.astype(int).tolist()}  # fmt: skip
    assert found.rate == pytest.approx(run_r(SECOND, sent))
