"""Renders a small session with numpy and scipy, for tests/render.rs to compare the kernel with.

    python3 tests/reference/render_reference.py

writes beside itself
  render_reference.json   the song, in the form of the session file's state
  render_reference.f32    its stack: little-endian f32, left and right in turn, from START on

Only formulas stand here, none of the program's code. The takes are noise from a 32-bit congruential
generator, made again bit for bit by the test: x <- 1664525 x + 1013904223 mod 2^32, sample = (x >> 8) / 2^23 - 1.
Equal-power ramps come from scipy's cosine window, raised-cosine ones from its square.
"""
import json
import pathlib

import numpy as np
from scipy.signal import windows

START, FRAMES = -500, 11_000
TAKES = {1: (1, 7000, 11), 2: (2, 6000, 22), 3: (1, 9000, 33)}  # asset: channels, frames, seed


def take(asset):
    channels, frames, seed = TAKES[asset]
    values, x = np.empty(channels * frames), seed
    for index in range(values.size):
        x = (1664525 * x + 1013904223) % 2**32
        values[index] = (x >> 8) / 2**23 - 1.0
    return values.reshape(frames, channels).T


def ramp(fade):
    n, curve, bend = fade["length"], fade["curve"], fade["bend"]
    if n == 0:
        return np.empty(0)
    u = (np.arange(n) + 0.5) / n
    if bend == 0 and curve in ("equal-power", "raised-cosine"):
        rise = windows.cosine(2 * n)[:n]
        return rise if curve == "equal-power" else rise**2
    u = u ** (2.0 ** (-2.0 * bend))
    return {
        "linear": lambda: u,
        "equal-power": lambda: np.sin(np.pi * u / 2),
        "raised-cosine": lambda: (1 - np.cos(np.pi * u)) / 2,
        "square-root": lambda: np.sqrt(u),
        "exponential": lambda: (10 ** (-3 * (1 - u)) - 1e-3) / (1 - 1e-3),
    }[curve]()


def db(value):
    return 10 ** (value / 20)


def lane_signal(lane):
    width = max(TAKES[region["asset"]][0] for region in lane["regions"])
    out = np.zeros((width, FRAMES))
    for region in lane["regions"]:
        n, first = region["length"], region["source_in"]
        part = take(region["asset"])[:, first : first + n].copy()
        if part.shape[0] < width:
            part = np.repeat(part, width, axis=0) / np.sqrt(2)
        rise, fall = ramp(region["fade_in"]), ramp(region["fade_out"])
        part[:, : rise.size] *= rise
        if fall.size:
            part[:, -fall.size :] *= fall[::-1]
        place = region["at"] - START
        out[:, place : place + n] += part * db(region["gain_db"])
    return out * db(lane["gain_db"]) * lane["polarity"]


def stack(song):
    out = np.zeros((2, FRAMES))
    for lane in song["lanes"]:
        if lane.get("mute") or lane["role"] == "backing":
            continue
        signal, angle = lane_signal(lane), (lane["pan"] + 1) * np.pi / 4
        gains = np.array([np.cos(angle), np.sin(angle)])
        if signal.shape[0] == 2:
            gains = np.minimum(1, np.sqrt(2) * gains)
        out += signal * gains[:, None]
    return out


def fade(length=0, curve="linear", bend=0.0):
    return {"length": length, "curve": curve, "bend": bend}


def region(number, asset, source_in, length, at, gain_db, fade_in, fade_out):
    return {"id": number, "asset": asset, "source_in": source_in, "length": length, "at": at,
            "gain_db": gain_db, "fade_in": fade_in, "fade_out": fade_out}


def lane(number, role, asset, gain_db, pan, polarity, regions, **more):
    return {"id": number, "name": f"take {number}", "role": role, "asset": asset, "gain_db": gain_db,
            "pan": pan, "polarity": polarity, "regions": regions, **more}


SONG = {"lanes": [
    lane(1, "guide", 1, 0.0, 0.0, 1, [
        region(1, 1, 0, 2500, -500, 0.0, fade(240, "linear"), fade(480, "equal-power")),
        region(2, 1, 2400, 2000, 1520, -3.5, fade(480, "equal-power"), fade(100, "exponential", 0.4)),
        region(3, 1, 5000, 2000, 4000, 2.25, fade(700, "square-root", -1.0), fade(1300, "raised-cosine", 1.0)),
    ]),
    lane(2, "double", 3, -7.3, -0.6, -1, [
        region(4, 3, 100, 3000, 120, 0.0, fade(333, "raised-cosine"), fade(777, "raised-cosine")),
        region(5, 3, 4000, 3001, 2343, 0.0, fade(777, "raised-cosine"), fade(1, "linear")),
        region(6, 3, 7001, 1999, 5344, -20.0, fade(), fade(1999, "exponential")),
    ]),
    lane(3, "harmony", 2, 1.5, 0.35, 1, [
        region(7, 2, 17, 2500, 700, -1.0, fade(50, "exponential", -0.25), fade(600, "linear", 0.5)),
        region(8, 1, 50, 4000, 2600, 0.0, fade(600, "square-root", 0.5), fade(900, "square-root")),
        region(9, 2, 3000, 2900, 7000, 6.0, fade(1500, "equal-power", 0.75), fade(1400, "equal-power", -0.75)),
    ]),
    lane(4, "double", 3, 0.0, 1.0, 1, [region(10, 3, 0, 8000, 0, 0.0, fade(), fade())], mute=True),
    lane(5, "backing", 2, 0.0, 0.0, 1, [region(11, 2, 0, 6000, 0, 0.0, fade(), fade())]),
]}

if __name__ == "__main__":
    here = pathlib.Path(__file__).parent
    (here / "render_reference.json").write_text(json.dumps(SONG, indent=1) + "\n")
    stack(SONG).T.astype("<f4").tofile(here / "render_reference.f32")
