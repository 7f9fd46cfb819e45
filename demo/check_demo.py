#!/usr/bin/env python3
"""Measures the demo stack and compares it with truth.json. check_demo.py FOLDER [--plot FILE.png]

Two measurements that know nothing of how the takes were made:
  envelope   the word's energy in seven bands, 1 ms steps, slid against the guide's until it fits best
  threshold  the first rise of the word out of the room tone, in the take minus in the guide
"""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfiltfilt

folder = Path(sys.argv[1])
truth = json.loads((folder / "truth.json").read_text())
R = truth["rate"]
EDGES = [200, 450, 900, 1600, 2800, 4500, 7500, 14000]


def bands(x):
    """Log energy in each band, one column every millisecond, 5 ms wide."""
    rows = []
    for lo, hi in zip(EDGES, EDGES[1:]):
        y = sosfiltfilt(butter(2, [lo / (R / 2), hi / (R / 2)], "band", output="sos"), x) ** 2
        e = uniform_filter1d(y, 240)[::R // 1000]
        rows.append(10 * np.log10(e + 1e-8))
    return np.array(rows)


db = lambda v: 20 * np.log10(max(float(v), 1e-9))
audio = {n: sf.read(folder / t["file"])[0] for n, t in truth["takes"].items()}
band = {n: bands(x) for n, x in audio.items()}
floor = {n: np.array([np.median(np.concatenate([b[:, int(g["start_s"] * 1000) + 20:int(g["end_s"] * 1000) - 20]
                      for g in truth["takes"][n]["gaps"]], axis=1), axis=1)]).T for n, b in band.items()}
guide = truth["takes"]["lead"]["words"]


def rise(name, word):
    """First millisecond at which any band stands 15 dB over the room tone, near the word's planned start."""
    a = int(word["start_s"] * 1000) - 60
    over = (band[name][:, a:a + 220] - floor[name]).max(axis=0)
    # From quiet to loud: start looking at the quietest spot before the word
    q = int(np.argmin(over[:62]))
    hit = np.nonzero(over[q:] > 15)[0]
    return a + q + (int(hit[0]) if len(hit) else 999)


worst = 0
for name, take in truth["takes"].items():
    x = audio[name]
    gap = np.concatenate([x[int((g["start_s"] + .02) * R):int((g["end_s"] - .02) * R)] for g in take["gaps"]])
    bre = [db(np.sqrt(np.mean(x[int(b["start_s"] * R):int(b["end_s"] * R)] ** 2))) for b in take["breaths"]]
    step = np.max(np.abs(np.diff(x)))
    print(f"{name:13s} {len(x) / R:.2f} s  peak {db(np.max(np.abs(x))):6.2f} dBFS  rms {db(np.std(x)):6.1f}  "
          f"floor {db(np.sqrt(np.mean(gap ** 2))):6.1f} dBFS  gaps {sum(g['end_s'] - g['start_s'] for g in take['gaps']):.2f} s  "
          f"breaths {' '.join(f'{b:.1f}' for b in bre)}  largest step {step:.3f}  clipped {int(np.sum(np.abs(x) > .999))}")
    if name == "lead":
        continue
    e1, e2 = [], []
    for g, w in zip(guide, take["words"]):
        ga, n = int(g["start_s"] * 1000) - 40, 190
        ref = np.maximum(band["lead"][:, ga:ga + n] - floor["lead"], 6)
        best = []
        for lag in range(-130, 131):
            got = np.maximum(band[name][:, ga + lag:ga + lag + n] - floor[name], 6)
            # Each take has its own colour and level: compare shapes in time only
            d = (got - got.max(axis=1, keepdims=True)) - (ref - ref.max(axis=1, keepdims=True))
            best.append(np.mean(np.clip(np.abs(d), 0, 20)))
        lag = int(np.argmin(best)) - 130
        thr = rise(name, w) - rise("lead", g)
        e1.append(lag - w["offset_ms"])
        e2.append(thr - w["offset_ms"])
        if abs(e1[-1]) > 8 or abs(e2[-1]) > 8:
            print(f"    {w['word']:8s} line {w['line']} plan {w['offset_ms']:+4d} envelope {lag:+4d} threshold {thr:+4d}")
    for label, e in (("envelope", e1), ("threshold", e2)):
        e = np.abs(e)
        print(f"    {label:9s} |measured - planned| median {np.median(e):.1f} ms, 95 % {np.percentile(e, 95):.1f}, worst {e.max():.0f}, "
              f"within 5 ms {np.mean(e <= 5):.0%}, 10 ms {np.mean(e <= 10):.0%}")
    for g, w in zip(guide, take["words"]):
        if w["last_in_line"]:
            ends = []
            for nm, ww in (("lead", g), (name, w)):
                a, b = int(ww["start_s"] * 1000), int(ww["end_s"] * 1000) + 120
                over = (band[nm][:, a:b] - floor[nm]).max(axis=0)
                ends.append(a + int(np.nonzero(over > 12)[0][-1]))
            print(f'    end of {w["word"]:6s} plan {w["offset_ms"] + w["tail_extra_ms"]:+4d} measured {ends[1] - ends[0]:+4d}, '
                  f'heard alone {(w["heard_end_s"] - g["heard_end_s"]) * 1000:+4.0f}')

# Is the tune there? The pitch in the middle of every held last word, against the written note.
for name, take in truth["takes"].items():
    cents = []
    for w in take["words"]:
        v = max((p for p in w["phones"] if p["end_s"] - p["start_s"] > .09), key=lambda p: p["end_s"] - p["start_s"], default=None)
        if not w["last_in_line"] or v is None:
            continue
        c = (v["start_s"] + v["end_s"]) / 2
        s = audio[name][int((c - .1) * R):int((c + .1) * R)] * np.hanning(int((c + .1) * R) - int((c - .1) * R))
        r = np.fft.irfft(np.abs(np.fft.rfft(s, 32768)) ** 2)
        want = R / (440 * 2 ** ((w["midi"][-1] - 69) / 12))
        lo, hi = int(want / 1.3), int(want * 1.3)
        cents.append(1200 * np.log2(want / (lo + np.argmax(r[lo:hi]))))
    print(f"{name:13s} pitch of the last words against the tune, cents: {' '.join(f'{c:+.0f}' for c in cents)}")

if "--plot" in sys.argv:
    import matplotlib
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    fig, ax = plt.subplots(2 * len(audio), 1, figsize=(26, 6 * len(audio)), sharex=True)
    for k, (n, x) in enumerate(audio.items()):
        t = np.arange(len(x)) / R
        ax[2 * k].plot(t, x, lw=.3)
        ax[2 * k].set_ylabel(n)
        for w in truth["takes"][n]["words"]:
            ax[2 * k].axvspan(w["start_s"], w["end_s"], color="y", alpha=.25)
            ax[2 * k].text(w["start_s"], .4, w["word"])
        ax[2 * k + 1].specgram(x + 1e-9, NFFT=1024, Fs=R, noverlap=768, vmin=-140, vmax=-50)
        ax[2 * k + 1].set_ylim(0, 18000)
    plt.tight_layout()
    plt.savefig(sys.argv[sys.argv.index("--plot") + 1], dpi=60)
