"""scipy's answers for a grid of counts and times, one line each: k1 t1 k2 t2, then what is asked for."""

import sys

from scipy import stats

for line in sys.stdin:
    k1, t1, k2, t2 = line.split()
    k1, k2, t1, t2 = int(k1), int(k2), float(t1), float(t2)
    share = t2 / (t1 + t2)
    both = stats.binomtest(k2, k1 + k2, share)
    one = stats.binomtest(k2, k1 + k2, share, alternative="less")
    interval = both.proportion_ci(0.95, method="exact")

    def odds(p):
        return p / (1 - p) * t1 / t2 if p < 1 else float("inf")

    e = stats.poisson_means_test(k1, t1, k2, t2)
    print(one.pvalue, both.pvalue, odds(interval.low), odds(interval.high), e.statistic, e.pvalue)
