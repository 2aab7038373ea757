"""Worked numbers of sequential charts, from outside and re-computed.

`published` numbers come from outside; where only re-computed ones stand, that is said.

Licence: single numbers quoted from papers and public test files.
"""

from __future__ import annotations

STEINER = (
    "Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using "
    "risk-adjusted cumulative sum charts. Biostatistics 2000;1:441-452, p. 445: logit p = -3.68 + "
    "0.077 score"
)
STEINER_READ = (
    "the two risks as quoted, with the page named, in a public test file of a general-purpose "
    "control-chart package; the paper itself was not read; scores re-computed with numpy"
)
STEINER_MODEL = (-3.68, 0.077)
# Parsonnet score, published risk and re-computed one, scores for doubled odds without and with
# the event; re-computed ones to 6 digits.
STEINER_SCORES = [
    (0, 0.025, 0.024602, -0.024305, 0.668843),
    (50, 0.542, 0.542398, -0.433338, 0.259809),
]

RIGDON = (
    "Rigdon SE, Fricker RD. Monitoring the Health of Populations by Tracking Disease Outbreaks. "
    "CRC Press, p. 225-226: logit p = -3.67 + 0.077 score; a patient of score 19 without the event"
)
RIGDON_READ = (
    "as quoted, with the pages named, in the tests of R package vlad (test-racusum_scores.R); the "
    "book itself was not read"
)
RIGDON_MODEL = (-3.67, 0.077)
RIGDON_SCORE = (19, 0.5, 0.05083)  # Parsonnet score, odds ratio, score

BERNOULLI = "Bernoulli cumulative sum, risk 0.05, odds ratio 2, no resets"
BERNOULLI_READ = (
    "no published value; re-computed elsewhere by a Markov chain of 2000 states and checked there "
    "by direct simulation (limit 3: 1533, standard error 17; limit 4, doubled odds: 192.0, 1.4)"
)
# limit, mean run in control, mean run at doubled odds
BERNOULLI_RUNS = [
    (2.0, 443.1, 79.5),
    (3.0, 1519.8, 133.4),
    (4.0, 4570.9, 190.0),
    (5.0, 12986.2, 247.5),
]
BERNOULLI_TOLERANCE = 0.02
