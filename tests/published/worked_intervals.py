"""Worked numbers of single and clustered proportions, from outside and re-computed.

Each entry states where it was published, where it was really read, and to how many printed digits
it holds. `published` is None where no published value was found; then only the re-computed value
stands, which is no evidence from outside.

Licence: single numbers quoted from papers and manuals.
"""

from __future__ import annotations

NEWCOMBE = (
    "Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven "
    "methods. Statistics in Medicine 1998;17:857-872, Table I"
)
NEWCOMBE_READ = (
    "values as quoted, with the table named, in public test suites of general-purpose software; "
    "the paper itself was not read; re-computed with scipy and statsmodels to 4 decimals"
)
BROWN = (
    "Brown LD, Cai TT, DasGupta A. Interval estimation for a binomial proportion. Statistical "
    "Science 2001;16:101-133 (definition, from memory)"
)
BROWN_READ = "no published value; re-computed with scipy"

# method, events, size, (low, high), printed digits, source, how obtained
SINGLE = [
    ("wilson", 81, 263, (0.2553, 0.3662), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson", 15, 148, (0.0624, 0.1605), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson", 0, 20, (0.0, 0.1611), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson", 1, 29, (0.0061, 0.1718), 4, NEWCOMBE, NEWCOMBE_READ),
    ("clopper-pearson", 81, 263, (0.2527, 0.3676), 4, NEWCOMBE, NEWCOMBE_READ),
    ("clopper-pearson", 15, 148, (0.0578, 0.1617), 4, NEWCOMBE, NEWCOMBE_READ),
    ("clopper-pearson", 0, 20, (0.0, 0.1684), 4, NEWCOMBE, NEWCOMBE_READ),
    ("clopper-pearson", 1, 29, (0.0009, 0.1776), 4, NEWCOMBE, NEWCOMBE_READ),
    ("mid-p", 81, 263, (0.2544, 0.3658), 4, NEWCOMBE, NEWCOMBE_READ),
    ("mid-p", 15, 148, (0.0601, 0.1581), 4, NEWCOMBE, NEWCOMBE_READ),
    ("mid-p", 0, 20, (0.0, 0.1391), 4, NEWCOMBE, NEWCOMBE_READ),
    ("mid-p", 1, 29, (0.0017, 0.1585), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson-corrected", 81, 263, (0.2535, 0.3682), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson-corrected", 15, 148, (0.0598, 0.1644), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson-corrected", 0, 20, (0, 0.2005), 4, NEWCOMBE, NEWCOMBE_READ),
    ("wilson-corrected", 1, 29, (0.0018, 0.1963), 4, NEWCOMBE, NEWCOMBE_READ),
    ("jeffreys", 0, 20, (0.0, 0.116639), 6, BROWN, BROWN_READ),
    ("jeffreys", 1, 29, (0.003746, 0.150078), 6, BROWN, BROWN_READ),
    ("jeffreys", 15, 148, (0.060449, 0.157643), 6, BROWN, BROWN_READ),
    ("jeffreys", 81, 263, (0.254522, 0.365647), 6, BROWN, BROWN_READ),
    ("jeffreys", 0, 100, (0.0, 0.024745), 6, BROWN, BROWN_READ),
    ("jeffreys", 3, 100, (0.00852, 0.077888), 6, BROWN, BROWN_READ),
]

RAO_SCOTT = (
    "Rao JNK, Scott AJ. A simple method for the analysis of clustered binary data. Biometrics "
    "1992;48:577-585, Table 1 (litters of Weil 1970; event: pup survived 21 days)"
)
RAO_SCOTT_READ = (
    "design effects in the manual of R package PF, page rsb, "
    "https://rdrr.io/github/ABS-dev/PF/man/rsb.html; the litters from memory, confirmed because "
    "both design effects come out to 6 decimals; ICC and effective n re-computed with numpy, "
    "standard errors also with R survey 4.1.1"
)
SURVEY = "Lumley T. R package survey 4.1.1, data set api (apiclus1, clusters dnum)"
SURVEY_READ = "computed with R (svymean, one-stage clusters, no finite population correction)"

LITTERS = {
    "control": {
        "events": [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7],
        "sizes": [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10],
        "design_effect": 1.232495,  # published
        "rate": 0.898734,
        "standard_error": 0.02664472,
        "effective": 128.1952,
        "wilson_effective": (0.834385, 0.939882),
        "icc": 0.029091,
        "fleiss_cuzick": 0.021206,
        "mean": (0.841942, 0.955526),
        "logit": (0.826242, 0.943066),  # svyciprop of R survey 4.1.1, as those beside it
        "arcsine": (0.835233, 0.948147),
        "beta": (0.826622, 0.948077),
        "source": RAO_SCOTT,
        "read": RAO_SCOTT_READ,
    },
    "treated": {
        "events": [12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0],
        "sizes": [12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7],
        "design_effect": 3.952861,  # published
        "rate": 0.772414,
        "standard_error": 0.06922608,
        "effective": 36.6823,
        "wilson_effective": (0.614943, 0.878237),
        "icc": 0.372135,
        "fleiss_cuzick": 0.353675,
        "mean": (0.624862, 0.919966),
        "logit": (0.594507, 0.88709),
        "arcsine": (0.611193, 0.900243),
        "beta": (0.588945, 0.901916),
        "source": RAO_SCOTT,
        "read": RAO_SCOTT_READ,
    },
}

# events, sizes, rate, standard error as R prints it
SCHOOLS = {
    "ell == 0": {
        "events": [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0],
        "sizes": [13, 34, 4, 13, 16, 2, 1, 4, 12, 21, 9, 11, 37, 2, 4],
        "rate": 0.021858,
        "standard_error": 0.02285,
        "mean": (-0.02715, 0.070866),
        "logit": (0.002253, 0.181108),
        "arcsine": (0.0, 0.09656),  # R prints 0.000368, the sine of an angle below 0
        "beta": (0.000199, 0.139396),
        "source": SURVEY,
        "read": SURVEY_READ,
    },
    "awards == Yes": {
        "events": [10, 26, 3, 9, 13, 2, 1, 3, 11, 14, 4, 9, 24, 1, 0],
        "sizes": [13, 34, 4, 13, 16, 2, 1, 4, 12, 21, 9, 11, 37, 2, 4],
        "rate": 0.710383,
        "standard_error": 0.03335,
        "mean": (0.638853, 0.781912),
        "logit": (0.634036, 0.776418),
        "arcsine": (0.636539, 0.779005),
        "beta": (0.6326, 0.780011),
        "source": SURVEY,
        "read": SURVEY_READ,
    },
}

# The default interval is ours: no published value exists. The numbers below were worked out apart
# from this program, by the formula and by putting the limits back into
# (p - L)^2 = t^2 L(1 - L)/n_eff with t from the F quantile; m graded screws and y events of each
# invented patient. None: not defined.
_FIRST = ([6, 8, 4, 10, 6, 12, 5, 8], [0, 1, 0, 2, 0, 0, 0, 0])
_SECOND = ([4, 6, 14, 8, 6, 10], [1, 0, 5, 0, 0, 0])
_THIRD = ([8, 6, 4, 10, 6], [0, 0, 0, 0, 0])

DEFAULT = {
    "whole unit": {
        "stratum": _SECOND,
        "unit_by_surgeon": [_SECOND],
        "n": 48, "x": 6, "K": 6, "m_w": 9.333333, "rho_s": 0.18232, "rho_u": 0.18232, "K_u": 6,
        "B_u": 2, "rho_p": 0.115933, "d_lin": 3.314286, "deff": 3.314286, "n_eff": 14.482759,
        "df": 10.0, "t": 2.228139, "low": 0.028154, "high": 0.413309,
    },
    "zero events": {
        "stratum": _THIRD,
        "unit_by_surgeon": [_THIRD],
        "n": 34, "x": 0, "K": 5, "m_w": 7.411765, "rho_s": None, "rho_u": None, "K_u": 5, "B_u": 0,
        "rho_p": 0.083333, "d_lin": 1.0, "deff": 1.534314, "n_eff": 22.159744, "df": 8.0,
        "t": 2.306004, "low": 0.0, "high": 0.193528,
    },
    "surgeon in unit": {
        "stratum": _FIRST,
        "unit_by_surgeon": [_FIRST, _SECOND, _THIRD],
        "n": 59, "x": 3, "K": 8, "m_w": 8.220339, "rho_s": 0.013116, "rho_u": 0.117276, "K_u": 19,
        "B_u": 4, "rho_p": 0.10746, "d_lin": 1.367232, "deff": 1.7759, "n_eff": 33.222599,
        "df": 28.5, "t": 2.046789, "low": 0.01207, "high": 0.190216,
    },
    "one patient": {  # the fourth of the first surgeon
        "stratum": ([10], [2]),
        "unit_by_surgeon": [_FIRST, _SECOND, _THIRD],
        "n": 10, "x": 2, "K": 1, "m_w": 10.0, "rho_s": None, "rho_u": 0.117276, "K_u": 19, "B_u": 4,
        "rho_p": 0.10746, "d_lin": 1.0, "deff": 1.967142, "n_eff": 5.083516, "df": 228.0,
        "t": 1.970423, "low": 0.036377, "high": 0.62344,
    },
    "one screw each": {  # one level of the first surgeon's first six patients
        "stratum": ([1, 1, 1, 1, 1, 1], [0, 1, 0, 0, 0, 0]),
        "unit_by_surgeon": [_FIRST, _SECOND, _THIRD],
        "n": 6, "x": 1, "K": 6, "m_w": 1.0, "rho_s": None, "rho_u": 0.117276, "K_u": 19, "B_u": 4,
        "rho_p": 0.10746, "d_lin": 1.2, "deff": 1.2, "n_eff": 5.0, "df": 38.0, "t": 2.024394,
        "low": 0.025086, "high": 0.60854,
    },
}  # fmt: skip
