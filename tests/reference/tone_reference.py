"""Filters by another road than the program's, for tests/tone_filters.rs.

    python3 tests/reference/tone_reference.py

writes tone_reference.json beside itself: for each filter its coefficients (b0 b1 b2 a1 a2) and magnitudes in dB. The analogue
prototypes are written down as polynomials in s and brought to the rate by scipy.signal.bilinear with the frequency
pre-warped; high-passes come from scipy.signal.butter. Prototypes: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Group
Note, 8 June 2021). It also measures where the esses of a recorded sentence lie (Welch's method on stretches marked by
eye), for tests/tone_find.rs.
"""
import json
import pathlib

import numpy as np
from scipy import signal

HERE = pathlib.Path(__file__).parent
FREQUENCIES = [20, 50, 100, 200, 500, 1000, 2000, 5000, 7500, 10000, 16000, 20000]


def prototype(kind, q, gain):
    a = 10 ** (gain / 40)
    if kind == "bell":
        return [1, a / q, 1], [1, 1 / (a * q), 1]
    if kind == "low-shelf":
        return [a, a * np.sqrt(a) / q, a * a], [a, np.sqrt(a) / q, 1]
    if kind == "high-shelf":
        return [a * a, a * np.sqrt(a) / q, a], [1, np.sqrt(a) / q, a]
    if kind == "band-pass":
        return [0, 1 / q, 0], [1, 1 / q, 1]
    raise ValueError(kind)


def digital(kind, hz, q, gain, rate):
    if kind == "high-pass":
        return signal.butter(2, hz, "high", fs=rate)
    b, a = prototype(kind, q, gain)
    warped = 2 * rate * np.tan(np.pi * hz / rate)
    scale = warped ** np.arange(2, -1, -1.0)
    # s/w instead of s: the coefficient of s^k is divided by w^k.
    return signal.bilinear(np.array(b) / scale, np.array(a) / scale, fs=rate)


def filters():
    cases = [
        ("high-pass", 100, 0.7071067811865476, 0), ("high-pass", 80, 0.7071067811865476, 0),
        ("low-shelf", 100, 0.7071067811865476, -3), ("low-shelf", 220, 0.7, 6),
        ("bell", 1000, 1, 6), ("bell", 300, 1.4, -4), ("bell", 7500, 2, -6), ("bell", 3000, 8, 12),
        ("high-shelf", 7500, 0.7071067811865476, 3), ("high-shelf", 10000, 0.7, -5),
        ("band-pass", 7500, 2, 0), ("band-pass", 500, 10, 0),
    ]
    out = []
    for rate in (44100, 48000, 96000, 192000):
        for kind, hz, q, gain in cases:
            b, a = digital(kind, hz, q, gain, rate)
            use = [f for f in FREQUENCIES if f < 0.48 * rate]
            _, h = signal.freqz(b, a, worN=np.array(use, float), fs=rate)
            db = 20 * np.log10(np.maximum(np.abs(h), 1e-12))
            out.append({"kind": kind, "hz": hz, "q": q, "gain_db": gain, "rate": rate,
                        "coefficients": [*(b / a[0]), a[1] / a[0], a[2] / a[0]],
                        "frequencies": use, "db": list(db)})
    return out


def steep():
    out = []
    for rate in (44100, 48000, 96000):
        sos = signal.butter(4, 100, "high", fs=rate, output="sos")
        use = [f for f in FREQUENCIES if f >= 50 and f < 0.48 * rate]
        _, h = signal.sosfreqz(sos, worN=np.array(use, float), fs=rate)
        out.append({"hz": 100, "rate": rate, "frequencies": use, "db": list(20 * np.log10(np.abs(h)))})
    return out


def recorded_ess():
    import soundfile
    x, rate = soundfile.read(HERE.parent / "human" / "reader-2.flac")
    # The three longest hisses, found by eye in the spectrogram: steady high noise, little below 2.5 kHz.
    parts = [x[int(start * rate):int(end * rate)] for start, end in ESSES_S]
    f, powers = zip(*(signal.welch(part, rate, nperseg=256) for part in parts))
    f, p = f[0], sum(power * len(part) for power, part in zip(powers, parts))
    use = (f >= 2800) & (f <= 7900)
    f, p = f[use], p[use]
    strong = p > p.max() / 4
    return {"esses_s": ESSES_S, "centre_hz": float(np.exp(np.sum(p[strong] * np.log(f[strong])) / p[strong].sum()))}


ESSES_S = [(2.81, 2.95), (4.45, 4.55), (4.91, 5.0)]

if __name__ == "__main__":
    tables = {"filters": filters(), "steep_high_pass": steep()}
    try:
        tables["recorded_ess"] = recorded_ess()
    except ImportError:
        print("no soundfile: the recorded ess is left out")
    (HERE / "tone_reference.json").write_text(json.dumps(tables, indent=0) + "\n")
