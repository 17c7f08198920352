"""Computes again, with numpy, scipy, statsmodels and iapws, what Setward's process computations found.

    process_statistics.py FOUND.json

FOUND.json is what the example `process_for_peers` of supervisor/process wrote: inputs and results. Nothing of Setward's
code is used. Prints one line a comparison; fails at the first that is outside its bound.
"""

import json
import sys

import numpy
from iapws import IAPWS97
from iapws.iapws97 import _TSat_P
from scipy import integrate, optimize, signal, stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW
from statsmodels.tsa.stattools import acf

found = json.load(open(sys.argv[1]))
compared = 0


def same(what, ours, theirs, within):
    """Absolute bound; both may be lists."""
    global compared
    ours, theirs = numpy.asarray(ours, float), numpy.asarray(theirs, float)
    assert ours.shape == theirs.shape and ours.size, what
    off = float(numpy.max(numpy.abs(ours - theirs)))
    print(f"{what}: off by {off:.2g}, {ours.size} figures")
    assert off <= within, f"{what}: {ours} and {theirs}"
    compared += ours.size


first, second = (numpy.array(found[name]) for name in ("first", "second"))
same("mean", found["mean"], first.mean(), 1e-10)
same("standard deviation", found["standard_deviation"], first.std(ddof=1), 1e-10)
same("autocorrelation, statsmodels", found["autocorrelation"], acf(first, nlags=59, fft=False), 1e-11)

# The effective size has no peer in these libraries: the sum of lags by statsmodels' acf, and the first lag's formula.
for values, size in zip((first, second), found["effective"]):
    r = acf(values, nlags=1999, fft=True)
    total = 0.0
    for even in range(0, 1998, 2):
        if r[even] + r[even + 1] <= 0:
            break
        total += r[even] + r[even + 1]
    by_first = (1 - r[1]) / (1 + r[1])
    same("effective size", size, len(values) * min(by_first, 1 / (2 * total - 1), 1), 1e-6)

# Welch's interval by scipy from means, deviations and the (fractional) sizes.
n1, n2 = found["effective"]
welch = stats.ttest_ind_from_stats(second.mean(), second.std(ddof=1), n2, first.mean(), first.std(ddof=1), n1, equal_var=False)
value, least, most, freedom = found["difference"]
a, b = first.var(ddof=1) / n1, second.var(ddof=1) / n2
same("difference over its error, scipy", value / numpy.sqrt(a + b), welch.statistic, 1e-9)
same("its interval, scipy", most - value, stats.t.ppf(0.975, freedom) * numpy.sqrt(a + b), 1e-9)
p = 2 * stats.t.sf(abs(welch.statistic), freedom)
same("its degrees of freedom, by scipy's p", p / welch.pvalue, 1.0, 1e-9)
same("symmetric", value - least, most - value, 1e-12)

# With independent values and whole sizes statsmodels computes the very interval: its degrees of freedom for two raw samples.
plain = CompareMeans(DescrStatsW(second), DescrStatsW(first))
va, vb = first.var(ddof=1) / len(first), second.var(ddof=1) / len(second)
df = (va + vb) ** 2 / (va**2 / (len(first) - 1) + vb**2 / (len(second) - 1))
same("Welch's degrees of freedom as we write them, statsmodels", df, plain.ttest_ind(usevar="unequal")[2], 1e-6)

for probability, freedom, quantile in found["t_quantiles"]:
    theirs = stats.t.ppf(probability, freedom)
    same(f"t {probability} {freedom}", quantile / theirs, 1.0, 1e-9)

fifty = second[:50]
reach = 3 * numpy.abs(numpy.diff(fifty)).mean() / 1.128
same("individuals", found["individuals_of_second_50"], [fifty.mean(), fifty.mean() - reach, fifty.mean() + reach], 1e-10)
weighted = signal.lfilter([0.2], [1, -0.8], second - 182.7) + 182.7
same("EWMA, scipy's filter", found["ewma_of_second"], weighted, 1e-9)

swing = numpy.array(found["swing"])
frequency, power = signal.periodogram(swing, fs=0.5, nfft=1 << 16)
period, amplitude = found["swing_period_and_amplitude"]
same("period of a swing, periodogram (s)", period, 1 / frequency[numpy.argmax(power)], 0.5)
fitted, _ = optimize.curve_fit(lambda n, s, c, w: s * numpy.sin(w * n) + c * numpy.cos(w * n), numpy.arange(1200), swing, (1, 0, 2 * numpy.pi / 37))
same("its amplitude, least squares", amplitude, numpy.hypot(fitted[0], fitted[1]), 0.05)

# Time-weighted figures on a fine grid inside the spans that count.
seconds, values = numpy.array(found["points"]).T
mean, deviation, known = found["weighed"]
grid = numpy.concatenate([numpy.arange(20, 150, 1e-3) + 5e-4, numpy.arange(180, 360, 1e-3) + 5e-4])
off = numpy.interp(grid, seconds, values) - numpy.where(grid < 200, 185.0, 186.0)
same("mean by time, fine grid", mean, off.mean(), 1e-6)
same("deviation by time, fine grid", deviation, off.std(), 1e-6)
same("known time", known, 310.0, 1e-6)
areas = [(off < -1).sum() * 1e-3, ((off >= -1) & (off <= 1.5)).sum() * 1e-3, (off > 1.5).sum() * 1e-3]
areas += [numpy.clip(-1 - off, 0, None).sum() * 1e-3, numpy.clip(off - 1.5, 0, None).sum() * 1e-3]
same("time and area about a band, fine grid", found["band"], areas, 0.03)

seconds, values = numpy.array(found["step"]).T
answer = lambda t, gain, dead, lag, start: start + gain * -8 * numpy.where(t > dead, -numpy.expm1(-(t - dead) / lag), 0)
fitted, _ = optimize.curve_fit(answer, seconds, values, (0.5, 10, 60, 180))
gain, dead, lag, start, scatter = found["step_fit"]
left = lambda *of: float(((values - answer(seconds, *of)) ** 2).sum())
same("step: gain, curve_fit", gain, fitted[0], 1e-3)
same("step: dead time (s), curve_fit", dead, fitted[1], 0.3)
same("step: lag (s), curve_fit", lag, fitted[2], 0.5)
assert left(gain, dead, lag, start) <= left(*fitted) * (1 + 1e-9), "curve_fit leaves less than we do"
same("step: scatter", scatter, numpy.sqrt(left(gain, dead, lag, start) / (len(values) - 4)), 1e-9)

minutes, degc = numpy.array(found["cook"]).T
rate = lambda t: 10 ** ((numpy.interp(t, minutes, degc) - 95) / 33)
same("equivalent minutes, quad", found["cook_minutes"], integrate.quad(rate, 0, 65, points=minutes[1:-1], epsabs=1e-11)[0], 1e-8)

hours, percent = numpy.array(found["soaked"]).T
k2, k1 = numpy.polyfit(hours, hours / (percent - 56.25), 1)
residual = percent - 56.25 - hours / (k1 + k2 * hours)
same("hydration constants, polyfit", found["soak_fit"], [k1, k2, numpy.sqrt((residual**2).sum() / 4)], 1e-9)
n = numpy.arange(1, 4001)
series = [1 - 6 / numpy.pi**2 * (numpy.exp(-(n**2) * numpy.pi**2 * fo) / n**2).sum() for fo in found["fourier"]]
same("sphere, 4000 terms", found["sphere"], series, 2e-7)

for degc, kpa, latent, liquid, vapour in found["saturation"]:
    water, steam = IAPWS97(T=degc + 273.15, x=0), IAPWS97(T=degc + 273.15, x=1)
    theirs = [water.P * 1000, steam.h - water.h, water.rho, steam.rho]
    same(f"saturation at {degc} degC, iapws", numpy.array([kpa, latent, liquid, vapour]) / theirs, numpy.ones(4), 6e-4)
for kpa, degc in found["boiling"]:
    same(f"boiling at {kpa} kPa, iapws (K)", degc, _TSat_P(kpa / 1000) - 273.15, 0.02)

# Duty over the logarithmic mean: by integrating the difference along the exchanger.
ends = (240 - 183.5, 205 - 168)
mean_k = 1 / integrate.quad(lambda s: 1 / (ends[0] + (ends[1] - ends[0]) * s), 0, 1)[0]
same("heat exchanger, quad", found["transfer_kw_per_k"], 354 / mean_k, 1e-9)

print(f"{compared} figures agree")
