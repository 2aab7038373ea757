"""Worked numbers of readers' agreement, from outside and re-computed.

Each entry states where it was published and where it was really read. Licence: single tables and
numbers quoted from papers, manuals and public test suites.
"""

from __future__ import annotations

# name, table, weights (a name or a matrix), kappa, its standard error (None: not printed), digits.
KAPPA = [
    # Printed output of a commercial general statistics system, quoted in statsmodels' tests.
    ("cohen 3x3", [[0, 4, 1], [0, 8, 0], [0, 1, 5]], "unweighted", 0.4842, 0.1380, 4),
    ("linear 3x3", [[0, 4, 1], [0, 8, 0], [0, 1, 5]], "linear", 0.4701, 0.1457, 4),
    # Fleiss JL, Cohen J, Everitt BS. Psychological Bulletin 1969;72:323-327: 0.507 and 0.429 are
    # printed there (from memory); data as in the manual of R's psych, cohen.kappa; the further
    # digits with statsmodels and R's vcd::Kappa, which agree. psych 2.2.9 itself has another
    # standard error.
    (
        "fleiss, cohen and everitt",
        [[106, 10, 4], [22, 28, 10], [2, 12, 6]],
        [[1.0, 0.0, 0.4444], [0.0, 1.0, 0.6667], [0.4444, 0.6667, 1.0]],
        0.50707,
        0.056994,
        6,
    ),
    (
        "fleiss, cohen and everitt, unweighted",
        [[106, 10, 4], [22, 28, 10], [2, 12, 6]],
        "unweighted",
        0.428571,
        0.053711,
        6,
    ),
    # Cohen J. Psychological Bulletin 1968;70:213-220: 0.348 and 0.492 (from memory); disagreement
    # weights 1, 3 and 6 are 1 - v/6 here; the further digits with statsmodels and psych.
    (
        "cohen 1968",
        [[88, 14, 18], [10, 40, 10], [2, 6, 12]],
        [[1.0, 5 / 6, 0.5], [5 / 6, 1.0, 0.0], [0.5, 0.0, 1.0]],
        0.347826,
        None,
        6,
    ),
    ("cohen 1968, unweighted", [[88, 14, 18], [10, 40, 10], [2, 6, 12]], "unweighted", 0.491525,
     None, 6),
]  # fmt: skip

# Fleiss JL. Psychological Bulletin 1971;76:378-382: 30 patients, 6 raters, 5 diagnoses; value of
# R's irr. And an encyclopedia article's table of 14 raters. Both as quoted in statsmodels' tests.
FLEISS_1971 = [
    "444444", "222555", "233335", "555555", "222444", "113333", "333355", "113334", "114444",
    "555555", "144444", "124444", "222333", "144444", "224445", "333335", "111455", "111112",
    "224444", "133555", "555555", "244444", "224555", "114444", "144445", "222224", "111155",
    "224444", "133333", "555555",
]  # fmt: skip
FLEISS_1971_KAPPA = 0.4302445
TEN_BY_FIVE = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip
TEN_BY_FIVE_KAPPA = 0.210

# Gwet KL. Handbook of Inter-Rater Reliability; as in the tests of the package irrCAC. A point is a
# rating that is missing.
GWET = [
    "11.1", "2232", "3333", "3333", "2222", "1234",
    "4444", "1121", "2222", ".555", "..11", "..3.",
]  # fmt: skip
GWET_AC1, GWET_FLEISS, GWET_AC2_QUADRATIC = 0.77544, 0.76117, 0.914
# Printed 0.743; the second digits, the standard errors and the limits by running irrCAC.
GWET_ALPHA = 0.74342
GWET_AC1_ERROR, GWET_AC2_ERROR, GWET_FLEISS_ERROR = 0.14295, 0.10396, 0.15302
GWET_AC1_LIMITS = (0.46081, 1.0)

# Shrout PE, Fleiss JL. Psychological Bulletin 1979;86:420-428: (1,1), (2,1), (3,1), and the same of
# the mean of four, two decimals printed (those of the mean from memory), in a test file of R's
# psych; limits with psych::ICC.
SHROUT_FLEISS = [
    [9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7],
]  # fmt: skip
SHROUT_FLEISS_ICC = (0.17, 0.29, 0.71, 0.44, 0.62, 0.91)
SHROUT_FLEISS_LIMITS_2_1 = (0.018787, 0.761084)
SHROUT_FLEISS_LIMITS_3_1 = (0.342465, 0.945858)

# Bland JM, Altman DG. Lancet 1986;i:307-310: peak flow by two meters, large less mini, l/min; as
# quoted in public test files. The paper rounds before it takes twice the standard deviation.
PEAK_FLOW_LARGE = [
    494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427,
]  # fmt: skip
PEAK_FLOW_MINI = [
    512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451,
]  # fmt: skip
PEAK_FLOW = {"bias": -2.1, "sd": 38.8, "limits": (-79.7, 75.5), "rounding": 0.1, "se_bias": 9.402}
