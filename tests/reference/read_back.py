#!/usr/bin/env python3
"""Opens every file of a bounce with libsndfile: read_back.py FOLDER REPORT.json

REPORT.json is what `bounce --json` printed. Prints format and length of each file; fails unless all files have one
length and one rate, no file is missing or left over, and the lanes, taken through the stated pan law, add up to the stack.

The law: a mono lane in the middle stands in its file as it is and goes into the sum with 1/sqrt(2) on both sides (-3.01 dB,
equal power); every other file has its pan in it and goes into the sum as it is. Muted lanes and the backing stay out.
"""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf

folder, report = Path(sys.argv[1]), json.loads(Path(sys.argv[2]).read_text())
# Largest error of one rounding, in full scale.
STEP = {"PCM_16": 2.0**-16, "PCM_24": 2.0**-24, "FLOAT": 2.0**-24}
problems, total, bound, stack = [], 0.0, 0.0, None
names = {Path(entry["path"]).name for entry in report["files"]}
# The manifest is no sound file and vouches for itself.
left_over = {path.name for path in folder.iterdir() if not path.name.endswith("_manifest.json")} ^ names
if left_over:
    problems.append(f"not both in the folder and in the report: {sorted(left_over)}")

for entry in report["files"]:
    path = folder / Path(entry["path"]).name
    info = sf.info(path)
    samples, rate = sf.read(path, dtype="float64", always_2d=True)
    print(f"{path.name}: {info.format} {info.subtype} {info.channels} ch {len(samples)} frames at {rate} Hz")
    if (rate, len(samples), info.channels) != (report["rate"], report["length"], entry["channels"]):
        problems.append(f"{path.name}: rate, length or channels are not those of the report")
        continue
    peak = np.abs(samples).max()
    if not np.isclose(20 * np.log10(max(peak, 1e-12)), entry["peak_db"] or -240, atol=0.01):
        problems.append(f"{path.name}: peak {20 * np.log10(peak):.3f} dB, reported {entry['peak_db']}")
    if entry["kind"] == "stack":
        stack, bound = samples, bound + STEP[info.subtype] * max(1.0, peak)
    elif not entry["muted"] and entry["role"] != "backing":
        total = total + (samples if info.channels == 2 else samples * np.sqrt(0.5))
        bound += STEP[info.subtype]

if stack is None:
    problems.append("there is no stack")
elif not problems:
    worst = np.abs(stack - total).max()
    print(f"largest difference between the stack and its lanes: {worst:.3e}, roundings allow {bound:.3e}")
    if worst > bound * 1.001:
        problems.append("the lanes do not add up to the stack")
print(f"{len(report['files'])} files, {report['length']} frames at {report['rate']} Hz")
for problem in problems:
    print("PROBLEM:", problem)
sys.exit(1 if problems else 0)
