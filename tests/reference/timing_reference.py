#!/usr/bin/env python3
"""A standard reference for timing: MFCC and dynamic time warping (librosa), on the same stacks, beside ours in one run.

    timing_reference.py [--tautline BINARY] STACK...     each STACK a folder with truth.json (tests/fixtures/timing/held/*)
    timing_reference.py --speed GUIDE LANE               seconds that the reference takes, files read and code compiled before

The reference warps each lane to the guide over 20 MFCCs at a hop of 5 ms (ours looks at the same hop) and reads the
lane's time at each true onset of the guide. Ours is `tautline timing --json` with an empty cache.
Needs librosa 0.11, numpy, soundfile.
"""
import argparse
import json
import os
import subprocess
import tempfile
import time
from pathlib import Path

import librosa
import numpy as np

RATE, HOP = 16000, 80


def features(path):
    y, _ = librosa.load(path, sr=RATE)
    return librosa.feature.mfcc(y=y, sr=RATE, n_mfcc=20, hop_length=HOP, n_fft=512)


def reference(guide, lane, onsets):
    a, b = features(guide), features(lane)
    _, path = librosa.sequence.dtw(a, b, metric="cosine")
    path = path[::-1]
    return [np.mean(path[path[:, 0] == min(int(round(t * RATE / HOP)), a.shape[1] - 1), 1]) * HOP / RATE - t for t in onsets]


def speed(guide, lane):
    """Best of two, without reading files."""
    y, z = (librosa.load(path, sr=RATE)[0] for path in (guide, lane))
    mfcc = lambda x: librosa.feature.mfcc(y=x, sr=RATE, n_mfcc=20, hop_length=HOP, n_fft=512)
    librosa.sequence.dtw(mfcc(y[:RATE]), mfcc(z[:RATE]), metric="cosine")
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        librosa.sequence.dtw(mfcc(y), mfcc(z), metric="cosine")
        taken.append(time.perf_counter() - start)
    return min(taken)


def ours(binary, folder, truth, cache):
    env = dict(os.environ, XDG_CACHE_HOME=cache)
    session = Path(cache) / (Path(folder).name + ".json")
    files = [str(Path(folder) / take["file"]) for take in truth["takes"]]
    subprocess.run([binary, "new", session, "--guide", *files], check=True, capture_output=True, env=env)
    start = time.perf_counter()
    out = subprocess.run([binary, "timing", session, "--json"], check=True, capture_output=True, env=env)
    return json.loads(out.stdout), time.perf_counter() - start


def say(name, errors, seconds):
    e = np.array(errors)
    shares = "/".join(f"{100 * np.mean(e <= ms):.0f}" for ms in (10, 20, 50))
    print(f"{name:24} {len(e):4} words  median {np.median(e):6.2f}  p90 {np.percentile(e, 90):6.1f}  "
          f"p95 {np.percentile(e, 95):6.1f} ms  within 10/20/50 ms {shares} %  {seconds:.2f} s")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--tautline", default="target/release/tautline")
    parser.add_argument("--speed", nargs=2)
    parser.add_argument("stacks", nargs="*")
    args = parser.parse_args()
    if args.speed:
        print(speed(*args.speed))
        return
    librosa.sequence.dtw(np.ones((2, 4)), np.ones((2, 4)))       # compiled once, not timed
    for folder in args.stacks:
        truth = json.loads((Path(folder) / "truth.json").read_text())
        guide, lanes = truth["takes"][0], truth["takes"][1:]
        onsets = [word["start"] for word in guide["words"]]
        theirs, mine = [], []
        start = time.perf_counter()
        for lane in lanes:
            found = reference(Path(folder) / guide["file"], Path(folder) / lane["file"], onsets)
            theirs += [abs(lag - (word["start"] - onset)) * 1000
                       for lag, word, onset in zip(found, lane["words"], onsets)]
        seconds = time.perf_counter() - start
        with tempfile.TemporaryDirectory() as cache:
            report, own = ours(args.tautline, folder, truth, cache)
        for lane, result in zip(lanes, report["lanes"]):
            for word, onset in zip(lane["words"], onsets):
                near = min(result["words"], key=lambda w: abs(w["guide_s"] - onset))
                if abs(near["guide_s"] - onset) < 0.08:
                    mine.append(abs(near["offset_ms"] - (word["start"] - onset) * 1000))
        say(Path(folder).name + " reference", theirs, seconds)
        say(Path(folder).name + " tautline", mine, own)


if __name__ == "__main__":
    main()
