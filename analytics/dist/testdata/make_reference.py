"""Writes reference.csv: distribution values to 17 digits by mpmath 1.3.0 at 60 digits.

Run inside this folder: python3 make_reference.py > reference.csv
Nothing here shares code with the Go package: sums and integrals are taken from
their definitions at high precision.
"""
from mpmath import mp, mpf, gammainc, betainc, exp, log, loggamma, binomial, findroot, gamma

mp.dps = 60
print("function,a,b,c,d,e,value")


def row(f, args, v):
    a = [repr(x) if isinstance(x, float) else str(x) for x in args] + [""] * (5 - len(args))
    print(",".join([f] + a + [mp.nstr(v, 18, min_fixed=0, max_fixed=0)]))


def pois_pmf(k, m):
    m = mpf(m)
    return exp(k * log(m) - m - loggamma(k + 1))


def up(k, m):
    """P(X >= k) summed term by term, for k at or above the mean"""
    t = s = pois_pmf(k, m)
    m = mpf(m)
    while t > s * mpf(10) ** -50:
        k += 1
        t = t * m / k
        s += t
    return s


def down(k, m):
    """P(X <= k) summed term by term, for k below the mean"""
    t = s = pois_pmf(k, m)
    m = mpf(m)
    while k > 0 and t > s * mpf(10) ** -50:
        t = t * k / m
        k -= 1
        s += t
    return s


for m in (1e-9, 0.01, 0.25, 0.9, 2.0, 7.5, 16.0, 99.5, 1234.5, 1e6, 1e7):
    s = m**0.5
    ks = sorted({max(0, int(m + z * s)) for z in (-12, -6, -3, -1, 0, 1, 3, 6, 12)} | {0, 1, 2, 5, int(m) + 40})
    for k in ks:
        row("poisson_pmf", (k, m), pois_pmf(k, m))
        q = down(k, m) if k < m else 1 - up(k + 1, m)
        if q > mpf(10) ** -290:
            row("poisson_cdf", (k, m), q)
        if k > 0:
            p = up(k, m) if k > m else 1 - down(k - 1, m)
            if p > mpf(10) ** -290:
                row("poisson_survival", (k, m), p)


def gamma_lower(a, p):
    # bisection on log x, then secant: no starting value to go wrong
    a, p = mpf(a), mpf(p)
    lo, hi = (log(p) + loggamma(a + 1)) / a - 1, log(a + 50 * mp.sqrt(a) + 900)
    f = lambda t: gammainc(a, 0, exp(t), regularized=True) - p
    for _ in range(170):
        mid = (lo + hi) / 2
        lo, hi = (mid, hi) if f(mid) < 0 else (lo, mid)
    return exp((lo + hi) / 2)


def gamma_upper(a, p):
    a, p = mpf(a), mpf(p)
    lo, hi = (log(mpf(1) / 2) + loggamma(a + 1)) / a - 1, log(a + 50 * mp.sqrt(a) + 900)
    f = lambda t: gammainc(a, exp(t), mp.inf, regularized=True) - p
    for _ in range(170):
        mid = (lo + hi) / 2
        lo, hi = (mid, hi) if f(mid) > 0 else (lo, mid)
    return exp((lo + hi) / 2)


for a in (0.01, 0.3, 0.5, 1.0, 1.5, 2.0, 9.5, 10.0, 137.0, 2500.0):
    for p in (1e-290, 1e-100, 1e-10, 0.00135, 0.025, 0.3, 0.5):
        if a < 0.1 and p < 1e-3:
            continue  # the quantile underflows
        row("gamma_quantile", (a, p), gamma_lower(a, p))
        row("gamma_upper_quantile", (a, p), gamma_upper(a, p))


def binom_pmf(k, n, p):
    return mp.binomial(n, k) * mpf(p) ** k * (1 - mpf(p)) ** (n - k)


for n, p in ((1, 0.3), (12, 0.25), (32, 0.2099), (90, 0.4866), (500, 0.001), (500, 0.999), (20000, 0.0625), (300000, 0.97)):
    sd = (n * p * (1 - p)) ** 0.5
    for k in sorted({min(n, max(0, int(n * p + z * sd))) for z in (-12, -6, -3, -1, 0, 1, 3, 6, 12)} | {0, 1, n - 1, n}):
        v = binom_pmf(k, n, p)
        if v > mpf(10) ** -290:
            row("binomial_pmf", (k, n, p), v)
        # tails term by term from k outwards, on their own side
        q = mpf(p) / (1 - mpf(p))
        t = s = v
        j = k
        while j > 0 and t > s * mpf(10) ** -50:
            t = t * j / ((n - j + 1) * q)
            j -= 1
            s += t
        if s > mpf(10) ** -290:
            row("binomial_cdf", (k, n, p), s)
        t = s = v
        j = k
        while j < n and t > s * mpf(10) ** -50:
            t = t * (n - j) * q / (j + 1)
            j += 1
            s += t
        if s > mpf(10) ** -290:
            row("binomial_survival", (k, n, p), s)


def beta_odds(a, b, p):
    a, b, p = mpf(a), mpf(b), mpf(p)
    lo, hi = mpf(-800), mpf(800)
    for _ in range(180):
        mid = (lo + hi) / 2
        lo, hi = (mid, hi) if betainc(a, b, 0, 1 / (1 + exp(-mid)), regularized=True) < p else (lo, mid)
    return exp((lo + hi) / 2)


for a, b in ((1, 1), (2, 11), (11, 2), (11.0, 22.0), (60.0, 31.0), (0.5, 0.5), (3.0, 500.0), (500.0, 1.0), (0.5, 30.0)):
    for p in (1e-12, 0.00135, 0.025, 0.5, 0.975, 0.99865):
        row("beta_odds", (float(a), float(b), p), beta_odds(a, b, p))


def nb_pmf(k, r, p):
    r, p = mpf(r), mpf(p)
    return exp(loggamma(k + r) - loggamma(r) - loggamma(k + 1)) * p**r * (1 - p) ** k


for r, p in ((0.5, 0.2), (1.0, 0.03), (9.5, 2.0 / 3), (4.2, 0.01), (140.5, 0.5), (1000.0, 0.999)):
    sd = (r * (1 - p)) ** 0.5 / p
    for k in sorted({max(0, int(r * (1 - p) / p + z * sd)) for z in (-6, -2, -1, 0, 1, 3, 8)} | {0, 1, 5}):
        row("negative_binomial_pmf", (k, r, p), nb_pmf(k, r, p))
        row("negative_binomial_cdf", (k, r, p), mp.fsum(nb_pmf(j, r, p) for j in range(k + 1)))
        if k > 0:
            j, s = k, mpf(0)
            while True:
                t = nb_pmf(j, r, p)
                s += t
                j += 1
                if t < s * mpf(10) ** -30:
                    break
            row("negative_binomial_survival", (k, r, p), s)

for p in (1e-4, 0.0295, 0.5, 0.97):
    for k in (0, 1, 7, 220, 5000):
        t = 1 - mpf(p)
        if t**k > mpf(10) ** -290:
            row("geometric_pmf", (k, p), mpf(p) * t**k)
            row("geometric_survival", (k, p), t**k)
        row("geometric_cdf", (k, p), 1 - t ** (k + 1))

for w, b, n, o in ((8, 8, 8, 1.0), (13, 17, 17, 0.0469), (60, 340, 36, 6.4), (293, 21778, 11034, 1.832), (5, 0, 3, 2.0), (12, 488, 8, 1e-6)):
    lo, hi = max(0, n - b), min(w, n)
    ws = [mp.binomial(w, k) * mp.binomial(b, n - k) * mpf(o) ** k for k in range(lo, hi + 1)]
    total = mp.fsum(ws)
    for k in sorted({lo, hi, (lo + hi) // 2, lo + 1, max(lo, min(hi, w * n // (w + b) + 3))}):
        if not lo <= k <= hi:
            continue
        for f, v in (
            ("hypergeometric_pmf", ws[k - lo]),
            ("hypergeometric_cdf", mp.fsum(ws[: k - lo + 1])),
            ("hypergeometric_survival", mp.fsum(ws[k - lo :])),
        ):
            if v / total > mpf(10) ** -290:
                row(f, (k, w, b, n, o), v / total)
