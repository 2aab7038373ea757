"""Worked numbers of two proportions, many comparisons, and observed against expected.

Each entry states where it was published and how it was obtained; where `READ` says so the paper
itself was not read.

Licence: single numbers quoted from papers and manuals.
"""

from __future__ import annotations

NEWCOMBE_DIFFERENCE = (
    "Newcombe RG. Interval estimation for the difference between independent proportions: "
    "comparison of eleven methods. Statistics in Medicine 1998;17:873-890, Table II, method 10"
)
NEWCOMBE_DIFFERENCE_READ = (
    "values as quoted, with the table named, in public test suites of general-purpose software; "
    "the paper itself was not read; statsmodels agrees to 4 decimals"
)
# events and size of both, (low, high) to 4 printed digits
NEWCOMBE_10 = [
    (56, 70, 48, 80, (0.0524, 0.3339)),
    (9, 10, 3, 10, (0.1705, 0.8090)),
    (6, 7, 2, 7, (0.0582, 0.8062)),
    (5, 56, 0, 29, (-0.0381, 0.1926)),
    (0, 10, 0, 20, (-0.1611, 0.2775)),
    (0, 10, 0, 10, (-0.2775, 0.2775)),
    (10, 10, 0, 20, (0.6791, 1.0)),
    (10, 10, 0, 10, (0.6075, 1.0)),
]

KATZ = "Agresti A. Categorical Data Analysis (aspirin and myocardial infarction table)"
KATZ_READ = "from memory, not verified; re-computed with numpy to 4 decimals"
KATZ_PHYSICIANS = {
    "counts": (189, 11034, 104, 11037),
    "published": (1.82, 1.43, 2.30),  # from memory
    "recomputed": (1.8178, 1.4330, 2.3059),
}

BENJAMINI_HOCHBERG = (
    "Benjamini Y, Hochberg Y. Controlling the false discovery rate. J R Stat Soc B 1995;57:289-300,"
    " section 4"
)
BENJAMINI_HOCHBERG_READ = (
    "p-values and numbers rejected as quoted in public test files; adjusted values re-computed "
    "with statsmodels"
)
P_VALUES = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.324, 0.4262, 0.5719, 0.6528, 0.759, 1.0),
)
BH_REJECTED, HOLM_REJECTED = 4, 3
BH_ADJUSTED = (
    *(0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645),
    *(0.0765, 0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0),
)
HOLM_ADJUSTED = (
    *(0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213),
    *(1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
)

POISSON = "R stats::poisson.test, conf.level 0.95"
POISSON_READ = "computed with R; scipy's chi-squared quantiles agree"
# count, R's limits, Byar's limits (re-computed, no published value)
POISSON_LIMITS = [
    (1, (0.025317807984, 5.5716433909), (0.013072, 5.563756)),
    (5, (1.6234863901, 11.6683320793), (1.611348, 11.668164)),
    (10, (4.7953886961, 18.390356042), (4.78745, 18.391459)),
    (23, (14.580027037, 34.5112928948), (14.575371, 34.51281)),
]
BYAR = (
    "Breslow NE, Day NE. Statistical Methods in Cancer Research II. IARC 1987 (formula, from "
    "memory); values at https://www.rubydoc.info/gems/byar/1.0.0/Byar, a formula library's manual"
)
BYAR_100_OVER_90 = (0.9040199067337297, 1.3514260807978444)  # with z = 1.96
