"""The default interval once more, slowly and in plain Python, from its written definition alone.

A screw is (surgeon, patient, is an event). Nothing of the program is used; t comes from the F
distribution, and the limits are searched for as the roots of (p - L)^2 = t^2 L(1 - L)/n_eff.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

from scipy.stats import f as f_distribution


def patients_of(screws):
    sizes, events = Counter(), Counter()
    for _, patient, is_event in screws:
        sizes[patient] += 1
        events[patient] += is_event
    return sizes, events


def icc(screws_by_group):
    between = within = Fraction(0)
    df_between = df_within = 0
    spread = Fraction(0)
    for screws in screws_by_group:
        sizes, events = patients_of(screws)
        n, x = sum(sizes.values()), sum(events.values())
        for patient, size in sizes.items():
            own = Fraction(events[patient], size)
            between += size * (own - Fraction(x, n)) ** 2
            within += events[patient] * (1 - own)
        df_between += len(sizes) - 1
        df_within += n - len(sizes)
        spread += n - Fraction(sum(size**2 for size in sizes.values()), n)
    if not df_between or not df_within:
        return None
    msb, msw, m0 = between / df_between, within / df_within, spread / df_between
    total = msb + (m0 - 1) * msw
    return (msb - msw) / total if total else None


def default_interval(stratum, unit, confidence):
    surgeons = {surgeon for surgeon, _, _ in unit}
    rho_u = icc([[s for s in unit if s[0] == surgeon] for surgeon in surgeons])
    unit_sizes, unit_events = patients_of(unit)
    k_u, b_u = len(unit_sizes), sum(count > 0 for count in unit_events.values())
    rho_p = (k_u * max(rho_u or 0, 0) + 25 * Fraction(1, 10)) / (k_u + 25)

    sizes, events = patients_of(stratum)
    n, x, k = sum(sizes.values()), sum(events.values()), len(sizes)
    p = Fraction(x, n)
    rho_s = icc([stratum])
    d_lin = Fraction(1)
    if k >= 2 and x not in {0, n}:
        variance = Fraction(k, k - 1) * sum((events[i] - p * sizes[i]) ** 2 for i in sizes) / n**2
        d_lin = variance / (p * (1 - p) / n)
    m_w = Fraction(sum(size**2 for size in sizes.values()), n)
    deff = max(1 + (m_w - 1) * max(rho_s or 0, 0, rho_p), d_lin)
    n_eff = n / deff
    df = Fraction((b_u + 8) * k_u, k)
    t_squared = f_distribution.ppf(confidence, 1, float(df))

    def miss(limit):
        return (float(p) - limit) ** 2 - t_squared * limit * (1 - limit) / float(n_eff)

    return {
        "low": 0.0 if x == 0 else root(miss, 0.0, float(p)),
        "high": 1.0 if x == n else root(lambda limit: -miss(limit), float(p), 1.0),
        "deff": float(deff),
        "df": float(df),
        "rho_p": float(rho_p),
    }


def root(function, low, high):
    """Return where a function falls from above 0 to below it, by halving."""
    for _ in range(200):
        middle = (low + high) / 2
        if function(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
