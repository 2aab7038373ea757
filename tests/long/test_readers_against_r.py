"""Agreement of readers against R on generated data; R's command stands in each script.

Delete-one-patient intervals have no command of their own in R: plain loops over patients do it
there, with vcd's and psych's own statistics inside.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.agreement import Weights, kappa, kappa_standard_error
from reports.statistics.differences_of_readers import limits_of_agreement, slope
from reports.statistics.intraclass import agreement_limits, consistency_limits, intraclass
from reports.tables.readers import ReadPair, agreement
from tests.build.r import r_versions, run_r

SEED = 20261128
GRADES = ("A", "B", "C", "D", "E")

# R 4.2.2 with vcd 1.4-11: Kappa, weights "Equal-Spacing" (linear) and "Fleiss-Cohen" (quadratic).
KAPPA = """
lapply(seq_len(nrow(data$tables)), function(i) {
  table <- as.table(matrix(data$tables[i, ], nrow = data$grades, byrow = TRUE))
  linear <- Kappa(table, weights = "Equal-Spacing")
  quadratic <- Kappa(table, weights = "Fleiss-Cohen")
  list(unweighted = unname(linear$Unweighted), linear = unname(linear$Weighted),
       quadratic = unname(quadratic$Weighted))
})
"""

# R 4.2.2 with psych 2.2.9: ICC(x, lmer = FALSE), rows ICC1, ICC2, ICC3.
ICC = """
found <- suppressMessages(ICC(data$ratings, lmer = FALSE))$results
list(icc = found$ICC, low = found[["lower bound"]], high = found[["upper bound"]])
"""

# Plain R: every statistic without one patient at a time, then qt.
JACKKNIFE = """
kappa_of <- function(keep) { k <- data$grades
  p <- table(factor(data$first[keep], 1:k), factor(data$second[keep], 1:k)) / sum(keep)
  w <- 1 - outer(1:k, 1:k, "-")^2 / (k - 1)^2
  e <- sum(w * outer(rowSums(p), colSums(p))); (sum(w * p) - e) / (1 - e) }
icc_of <- function(keep) {
  long <- data.frame(mm = c(data$first_mm[keep], data$second_mm[keep]),
                     screw = factor(rep(seq_len(sum(keep)), 2)),
                     reader = factor(rep(1:2, each = sum(keep))))
  ms <- anova(lm(mm ~ screw + reader, data = long))[["Mean Sq"]]
  (ms[1] - ms[3]) / (ms[1] + ms[3] + 2 * (ms[2] - ms[3]) / sum(keep)) }
apart <- data$second_mm - data$first_mm
upper_of <- function(keep) mean(apart[keep]) + qnorm(.975) * sd(apart[keep])
slope_of <- function(keep) coef(lm(apart[keep] ~ data$years[keep]))[[2]]
all <- rep(TRUE, length(data$first)); patients <- unique(data$patient)
lapply(list(kappa = kappa_of, icc = icc_of, upper = upper_of, slope = slope_of), function(f) {
  left <- sapply(patients, function(one) f(data$patient != one)); k <- length(patients)
  half <- qt(.975, k - 1) * sqrt((k - 1) / k * sum((left - mean(left))^2))
  c(f(all), f(all) - half, f(all) + half) })
"""


def test_vcd_gives_the_same_kappas_and_standard_errors():
    rng = np.random.default_rng(SEED)
    tables = [rng.integers(0, 20, (5, 5)) + np.diag(rng.integers(0, 60, 5)) for _ in range(40)]
    told = run_r(
        KAPPA,
        {"tables": [table.ravel().tolist() for table in tables], "grades": 5},
        packages=("vcd",),
    )
    print(r_versions("vcd"))
    for table, found in zip(tables, told, strict=True):
        for weights in Weights:
            value, error = found[weights.value]
            assert kappa(table, weights) == pytest.approx(value, abs=1e-10)
            assert kappa_standard_error(table, weights) == pytest.approx(error, abs=1e-10)


def test_psych_gives_the_same_correlations_and_limits():
    rng = np.random.default_rng(SEED)
    for screws, readers in ((8, 2), (40, 2), (25, 4), (300, 3)):
        truth = rng.exponential(1.5, (screws, 1)).round(1)
        read = truth + rng.normal(0.1, 0.6, (screws, readers)) + rng.normal(0, 0.3, (1, readers))
        told = run_r(ICC, {"ratings": read.tolist()}, packages=("psych",))
        ours = intraclass(read)
        assert told["icc"][:3] == pytest.approx(
            [ours.one_way, ours.agreement, ours.consistency], abs=1e-9
        )
        for at, limits in ((1, agreement_limits(read)), (2, consistency_limits(read))):
            assert (limits.low, limits.high) == pytest.approx(
                (told["low"][at], told["high"][at]), abs=1e-6
            )
    print(r_versions("psych"))


def test_plain_loops_in_r_give_the_same_intervals_over_patients():
    rng = np.random.default_rng(SEED)
    for patients in (3, 12, 60):
        patient = np.repeat(np.arange(patients), rng.integers(1, 9, patients))
        own = rng.normal(0, 0.5, patients)[patient]
        first_mm = np.maximum(rng.normal(0.8, 2.0, len(patient)) + own, 0).round(1)
        second_mm = np.maximum(first_mm + own + rng.normal(0, 0.7, len(patient)), 0).round(1)
        first, second = (np.digitize(mm, [0.05, 2, 4, 6]) for mm in (first_mm, second_mm))
        years = 2024 + rng.random(len(patient)) * 2
        told = run_r(
            JACKKNIFE,
            {
                "patient": patient.tolist(), "first": (first + 1).tolist(),
                "second": (second + 1).tolist(), "first_mm": first_mm.tolist(),
                "second_mm": second_mm.tolist(), "years": years.tolist(), "grades": 5,
            },
        )  # fmt: skip
        pairs = [
            ReadPair(
                str(patient[n]), (1, 2), (GRADES[first[n]], GRADES[second[n]]),
                (float(first_mm[n]), float(second_mm[n])), None, "",
            )
            for n in range(len(patient))
        ]  # fmt: skip
        found = agreement(pairs, "gertzbein-robbins", GRADES)
        apart = second_mm - first_mm
        ours = {
            "kappa": found.kappa[Weights.QUADRATIC],
            "icc": found.icc_2_1,
            "upper": limits_of_agreement(apart, patient).upper,
            "slope": slope(years, apart, patient),
        }
        for name, each in ours.items():
            value, low, high = told[name]
            if name in {"kappa", "icc"}:  # ours are cut at what they can be
                low, high = max(low, -1), min(high, 1)
            assert (each.value, each.low, each.high) == pytest.approx((value, low, high), abs=1e-8)
