#!/usr/bin/env python3
"""The demo stack "Lantern Row": one guide take and four more, with every timing fault known.

    make_demo.py script                 print the festival script that speaks the words
    make_demo.py render WORK OUT        WORK holds festival's output; writes WORK/*.wav, OUT/truth.json, OUT/lyrics.txt

How a take is made:
  1. festival speaks every word apart, so that each word has a clean start and a released ending, and tells where every phone begins and ends.
  2. The spoken words are taken apart into spectral envelopes; only their shape is kept.
  3. Each take sings the words anew from those envelopes: harmonics on the melody with its own vibrato
     and drift, noise from its own seed for the hissing consonants. No take is a copy of another, as no
     double is of its guide, so that takes thicken and do not comb like copies would.
  4. A word is sung at its written length and then put at its planned place: words are slid, never
     stretched. Only the last word of a line may be sung longer, to give a tail that rings too long.
  5. Breaths and room tone are added, again from the take's own seed.
"""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfilt

RATE = 48000
HOP = 120                  # 2.5 ms at 48 kHz: short enough for the burst of a t or a k
BEAT = 0.58                # seconds
LINE_BEATS = 8
FIRST = 1.0                # seconds of room tone (and the first breath) before the first word
LENGTH = 20.0              # seconds, the same for every take
WORD_GAP = 0.085           # seconds of silence at the end of each word's slot: room for a late word before it
VOICE_RATE = 32000
FFT = 2048

# word, melody (one MIDI note for each syllable), slot start in beats, slot length in beats (per syllable)
LINES = [
    [("Walk", [62], 0, [1]), ("in", [64], 1, [.5]), ("step", [66], 1.5, [1]), ("pass", [69], 2.5, [.75]),
     ("seven", [67, 66], 3.25, [.5, .75]), ("clocks", [64], 4.5, [1.5])],
    [("Frost", [62], 0, [1]), ("is", [64], 1, [.5]), ("bright", [66], 1.5, [1]), ("on", [67], 2.5, [.5]),
     ("roof", [69], 3, [.85]), ("and", [66], 3.85, [.65]), ("post", [67], 4.5, [1.5])],
    [("Let", [71], 0, [.75]), ("the", [69], .75, [.5]), ("dark", [69], 1.25, [.75]), ("street", [66], 2, [1]),
     ("fall", [67], 3, [.75]), ("to", [66], 3.75, [.75]), ("hush", [64], 4.5, [1.5])],
    [("Leave", [66], 0, [.75]), ("one", [67], .75, [.75]), ("light", [69], 1.5, [1]), ("on", [66], 2.5, [.5]),
     ("Lantern", [64, 64], 3, [.5, 1]), ("Row", [62], 4.5, [2.5])],
]
TITLE = "Lantern Row"
LYRICS = ["Walk in step, pass seven clocks,", "Frost is bright on roof and post,",
          "Let the dark street fall to hush,", "Leave one light on Lantern Row."]

# The plan. offsets: ms against the guide, one for each word of each line (minus is early).
# tails: ms that the last word of each line is sung longer than in the guide.
# third: steps of the scale above or below the melody. warp: formants against the spoken voice.
TAKES = {
    "lead": dict(role="guide", seed=1101, third=0, warp=1.00, vibrato=(5.5, 30), breathy=0.0, tilt=0.0,
                 peak_db=-6.5, floor_db=-60.0, breath_db=-40.0,
                 offsets=[[0] * 6, [0] * 7, [0] * 7, [0] * 6], tails=[0, 0, 0, 0]),
    "double-1": dict(role="double", seed=2203, third=0, warp=1.03, vibrato=(5.9, 24), breathy=3.0, tilt=-1.0,
                     peak_db=-8.0, floor_db=-60.8, breath_db=-42.0,
                     offsets=[[18, 35, -22, 8, 41, -12], [-28, -5, 30, 62, 15, -18, 25],
                              [9, 48, 20, -35, -8, 27, -15], [-45, -14, 22, 55, 12, 33]],
                     tails=[180, 0, 320, 240]),
    "double-2": dict(role="double", seed=3307, third=0, warp=0.96, vibrato=(5.2, 36), breathy=1.5, tilt=1.0,
                     peak_db=-7.2, floor_db=-59.4, breath_db=-39.0,
                     offsets=[[-36, -60, -25, 16, -4, 52], [70, 38, -10, -42, 6, 24, -30],
                              [-55, -18, 33, 90, 44, 12, 60], [14, 45, -20, -65, -31, -9]],
                     tails=[0, 260, 0, 350]),
    "harmony-high": dict(role="harmony", seed=4409, third=2, warp=1.07, vibrato=(6.1, 20), breathy=4.0, tilt=-1.5,
                         peak_db=-9.0, floor_db=-60.3, breath_db=-43.0,
                         offsets=[[26, 64, 10, -38, 19, -24], [-75, -40, -12, 21, 58, 29, -17],
                                  [5, -31, 37, 11, -50, -22, 46], [80, 42, 7, -27, 34, -6]],
                         tails=[220, 150, 280, 0]),
    "harmony-low": dict(role="harmony", seed=5501, third=-2, warp=0.90, vibrato=(4.9, 28), breathy=0.5, tilt=0.5,
                        peak_db=-8.5, floor_db=-59.8, breath_db=-41.0,
                        offsets=[[-90, -48, -6, 31, 3, 39], [17, 40, -11, -58, -29, 13, -44],
                                 [66, 23, -19, 28, -33, -2, 85], [-13, -52, 10, 47, 20, 72]],
                        tails=[0, 190, 0, 300]),
}
SCALE = [62, 64, 66, 67, 69, 71, 73]      # D major, one octave of it

VOWELS = set("aa ae ah ao aw ax ay eh er ey ih iy ow oy uh uw".split())
VOICED = VOWELS | set("l r w y m n ng b d g v z dh jh zh".split())
BUZZING = set("v z dh jh zh".split())     # voiced, but hissing as well
STOPS = set("p t k b d g".split())


def script():
    """Every word is an utterance of its own: commas do not reliably make the voice pause."""
    print("(voice_cmu_us_slt_arctic_hts)")
    for n, line in enumerate(LINES):
        for k, (text, *_) in enumerate(line):
            print(f'(set! u (Utterance Text "{text}."))')
            print("(utt.synth u)")
            print(f'(utt.save.wave u "word{n}-{k}.wav" \'riff)')
            print(f'(set! f (fopen "word{n}-{k}.txt" "w"))')
            print("(set! s (utt.relation.first u 'Segment))")
            print('(while s (format f "%s %s %f %f\\n" (item.name s) (item.feat s "R:SylStructure.parent.pos_in_word")'
                  ' (item.feat s "segment_start") (item.feat s "end")) (set! s (item.next s)))')
            print("(fclose f)")


# ---------------------------------------------------------------- taking the spoken words apart

def pitch_track(x, times):
    """F0 of the spoken voice, for the width of the analysis windows only: an error of some Hz does no harm."""
    low, high = VOICE_RATE // 300, VOICE_RATE // 110
    f0 = np.full(len(times), 180.0)
    for i, t in enumerate(times):
        c = int(t * VOICE_RATE)
        s = x[max(0, c - 480):c + 480]
        if len(s) < 960 or np.mean(s ** 2) < 1e-6:
            continue
        s = s - s.mean()
        r = np.fft.irfft(np.abs(np.fft.rfft(s, 2048)) ** 2)[:high + 1]
        lag = low + int(np.argmax(r[low:high]))
        if r[lag] > 0.4 * r[0]:
            f0[i] = VOICE_RATE / lag
    return f0


def envelopes(x, hop_s):
    """Log power envelopes: one set for voiced sound (harmonics smoothed away), one for noise (quick in time)."""
    times = np.arange(0, len(x) / VOICE_RATE, hop_s)
    f0 = pitch_track(x, times)
    padded = np.concatenate([np.zeros(FFT), x, np.zeros(FFT)]) + 1e-7 * np.random.default_rng(7).standard_normal(len(x) + 2 * FFT)
    quefrency = np.minimum(np.arange(FFT), FFT - np.arange(FFT)) / VOICE_RATE
    voiced = np.empty((len(times), FFT // 2 + 1))
    noise = np.empty_like(voiced)
    keep_noise = (quefrency < 36 / VOICE_RATE).astype(float)
    short = np.hanning(192)
    short /= np.sqrt(np.sum(short ** 2))
    for i, t in enumerate(times):
        c = FFT + int(round(t * VOICE_RATE))
        half = int(1.5 * VOICE_RATE / f0[i])
        w = np.hanning(2 * half + 1)
        w /= np.sqrt(np.sum(w ** 2))
        p = np.abs(np.fft.fft(padded[c - half:c + half + 1] * w, FFT)) ** 2 + 1e-12
        # Averaging over two thirds of F0 and then weighting the cepstrum removes the ripple of the harmonics.
        width = max(1, int(round(f0[i] * 2 / 3 / (VOICE_RATE / FFT))))
        p = uniform_filter1d(p, width, mode="wrap")
        z = np.pi * f0[i] * quefrency
        lifter = np.sinc(z / np.pi) * (1.18 - 0.18 * np.cos(2 * z))
        voiced[i] = np.fft.fft(np.fft.ifft(np.log(p)).real * lifter).real[:FFT // 2 + 1]
        p = np.abs(np.fft.fft(padded[c - 96:c + 96] * short, FFT)) ** 2 + 1e-12
        noise[i] = np.fft.fft(np.fft.ifft(np.log(p)).real * keep_noise).real[:FFT // 2 + 1]
    return voiced, noise


def span(start, end):
    return int(round(start * RATE / HOP)), int(round(end * RATE / HOP))


def clean_hiss(phones, noise):
    """Keep the vowel next door out of a consonant's noise: read as noise, its edge would thump.

    The part of a consonant that lies away from its voiced neighbours says how strong each of its bands can be.
    """
    for i, (phone, _, start, end) in enumerate(phones):
        a, b = span(start, end)
        rows = slice(max(0, a - 2), b + 3)
        if phone in BUZZING or phone in "bdg":
            noise[rows, :int(1500 / VOICE_RATE * FFT)] -= 12      # the voice itself fills these bands
        elif phone not in VOICED:
            left = i > 0 and phones[i - 1][0] in VOICED
            right = i + 1 < len(phones) and phones[i + 1][0] in VOICED
            if phone in STOPS:
                lo, hi = (0.40 if left else 0.0), (0.65 if right else 1.0)
                top = noise[a + int(lo * (b - a)):a + max(1, int(hi * (b - a)))].max(axis=0)
            else:
                lo, hi = (0.30 if left else 0.1), (0.70 if right else 0.9)
                top = np.median(noise[a + int(lo * (b - a)):a + int(hi * (b - a))], axis=0) + 0.9
            noise[rows] = np.minimum(noise[rows], top)


def trim_start(phones, voiced, noise):
    """A word starts where it is first heard: closed lips make no sound, and some first sounds creep in."""
    phone, _, start, end = phones[0]
    a, b = span(start, end)
    high = int(1000 / VOICE_RATE * FFT)
    power = np.log((np.exp(noise[a:b, high:]) if phone not in VOICED else np.exp(voiced[a:b])).mean(axis=1))
    top = power.max() if phone not in VOICED else np.log(np.exp(voiced).mean(axis=1)).max()
    below = {True: 14, False: 20}[phone in STOPS] if phone not in VOICED else 28
    heard = int(np.argmax(power > top - below * np.log(10) / 10))
    phones[0][2] = start + min(max(heard - 1, 0), int(0.75 * (b - a))) * HOP / RATE


def burst_of(word):
    """The first 50 ms of noise of a word that starts with a stop, its strongest frame at 0."""
    a, _ = span(word[2][0][2], 0)
    frames = word[1][a + 1:a + 21].copy()
    return frames - np.log(np.exp(frames).mean(axis=1)).max()


def release_final_stop(word, bursts):
    """The speaking voice swallows many a last t and k; a chorus singer is asked to release them, together.

    60 ms of closure and a release 20 dB under the vowel are laid behind the word's own frames.
    """
    voiced, noise, phones = word
    if phones[-1][0] not in ("p", "t", "k", "d"):
        return
    level = np.log(np.exp(voiced).mean(axis=1)).max()
    # A dying release: the aspiration falls by 18 dB over its 50 ms.
    release = bursts["t" if phones[-1][0] == "d" else phones[-1][0]] - np.linspace(0, 18, 20)[:, None] * np.log(10) / 10
    release = release + level - {"t": 19, "k": 19, "p": 23, "d": 25}[phones[-1][0]] * np.log(10) / 10
    silence = np.full((24, noise.shape[1]), -30.0)
    at = len(noise) + 1
    word[1] = np.concatenate([noise, silence[:1], silence, release, silence[:4]])
    word[0] = np.concatenate([voiced, np.full((len(word[1]) - len(voiced), voiced.shape[1]), -30.0)])
    # A voiced d has no voice left here: written as its voiceless brother, as it is sung before a rest.
    phones[-1] = ["t" if phones[-1][0] == "d" else phones[-1][0], phones[-1][1], at * HOP / RATE, (at + 44) * HOP / RATE]


def load_words(work):
    """For each line its words: phones with their spoken times, and the two sets of envelopes."""
    lines = []
    for n, line in enumerate(LINES):
        words = []
        for k in range(len(line)):
            x, rate = sf.read(Path(work) / f"word{n}-{k}.wav")
            assert rate == VOICE_RATE
            voiced, noise = envelopes(x, HOP / RATE)
            phones = []
            for row in (Path(work) / f"word{n}-{k}.txt").read_text().splitlines():
                phone, syllable, start, end = row.split()
                if phone != "pau":
                    phones.append([phone, int(float(syllable)), float(start), float(end)])
            clean_hiss(phones, noise)
            trim_start(phones, voiced, noise)
            words.append([voiced, noise, phones])
        lines.append(words)
    find = lambda text: next(w for line, ws in zip(LINES, lines) for l, w in zip(line, ws) if l[0] == text)
    bursts = {p: burst_of(find(text)) for p, text in (("t", "to"), ("k", "clocks"), ("p", "post"))}
    for ws in lines:
        for w in ws:
            release_final_stop(w, bursts)
    return lines


# ---------------------------------------------------------------- singing them

def plan_word(spoken, slot_beats, tail_s, release):
    """Sung length of each phone, and the map from sung time to spoken time.

    Consonants keep their spoken length, vowels fill the rest of the syllable's slot. In a vowel the way in and
    the way out run at spoken speed and only the middle is held, as a singer does it.
    """
    sung, knots = [], [(0.0, spoken[0][2])]
    t = 0.0
    syllables = sorted({p[1] for p in spoken})
    for k, s in enumerate(syllables):
        phones = [p for p in spoken if p[1] == s]
        last = k == len(syllables) - 1
        length = slot_beats[k] * BEAT - (WORD_GAP + release if last else 0.0) + (tail_s if last else 0.0)
        # In a short slot the hisses and nasals give way too, by a third at most; a stop never does.
        long_ones = sum(p[3] - p[2] for p in phones if p[0] not in VOWELS | STOPS)
        stops = sum(p[3] - p[2] for p in phones if p[0] in STOPS)
        squeeze = min(1.0, max(0.66, (length - stops - 0.11) / max(long_ones, 1e-9)))
        rest = length - stops - long_ones * squeeze
        for phone, _, a, b in phones:
            natural = b - a
            knots.append((t + 1e-7, a))       # a released last stop lies elsewhere in the tables than its vowel
            if phone in VOWELS:
                held = max(rest, 0.06)
                if held > natural:
                    knots += [(t + .35 * natural, a + .35 * natural), (t + held - .5 * natural, a + .5 * natural)]
            else:
                held = natural * (1 if phone in STOPS else squeeze)
            knots.append((t + held, b))
            sung.append(dict(phone=phone, start=t, end=t + held, syllable=k))
            t += held
    return sung, np.array(knots), t


def diatonic(note, steps):
    octave, degree = divmod(note - 62, 12)
    index = [n - 62 for n in SCALE].index(degree) + steps
    return 62 + 12 * (octave + index // 7) + SCALE[index % 7] - 62


def at_frames(table, source_s):
    pos = np.clip(source_s * RATE / HOP, 0, len(table) - 1.001)
    i = pos.astype(int)
    f = (pos - i)[:, None]
    return table[i] * (1 - f) + table[i + 1] * f


def sing(phones, voiced, noise, notes, slot_beats, tail_s, take, rng, from_note):
    """One word as samples. Its first sample is the word's start; its length does not depend on the take."""
    release = 0.055 if phones[-1][0] in VOICED - STOPS else 0.012
    sung, knots, length = plan_word(phones, slot_beats, tail_s, release)
    total = int(round((length + release) * RATE))
    frames = total // HOP + 3
    ft = np.arange(frames) * HOP / RATE
    source = np.interp(ft, knots[:, 0], knots[:, 1])

    # How much voice and how much hiss each frame has, from its phone. Lips close on a voice within about
    # 12 ms.
    voice = np.zeros(frames)
    hiss = np.zeros(frames)
    for p in sung:
        m = (ft >= p["start"]) & (ft < p["end"] + (1 if p is sung[-1] else 0))
        name = p["phone"]
        voice[m] = (0.7 if name in BUZZING else 1.0) if name in VOICED else 0.0
        hiss[m] = 1.0 if name not in VOICED else 0.7 if name in BUZZING else 0.35 if name in STOPS else 0.0
    # The switch of the hiss is quicker: more smoothing would blunt a burst.
    voice = uniform_filter1d(voice, 5, mode="nearest")
    hiss = uniform_filter1d(hiss, 3, mode="nearest")

    # Melody: glide into each note, vibrato that sets in once the note stands, slow drift, a little jitter.
    bounds = [min(p["start"] for p in sung if p["syllable"] == k) for k in range(len(notes))]
    target = np.full(frames, float(notes[0]))
    for k, b in enumerate(bounds):
        target[ft >= b] = notes[k]
    glide = np.exp(-HOP / RATE / 0.022)
    midi = np.empty(frames)
    now = from_note
    for i in range(frames):
        now = target[i] + (now - target[i]) * glide
        midi[i] = now
    speed, depth = take["vibrato"]
    since = ft - np.array([max(b for b in bounds if b <= max(t, 0)) for t in ft])
    fade = np.clip((since - 0.22) / 0.3, 0, 1)
    speed = speed * rng.uniform(0.96, 1.04)
    midi += fade * depth / 100 * np.sin(2 * np.pi * speed * ft + rng.uniform(0, 2 * np.pi))
    midi += 0.12 * uniform_filter1d(rng.standard_normal(frames), 60, mode="nearest") * np.sqrt(60) / 4
    midi += 0.02 * uniform_filter1d(rng.standard_normal(frames), 4, mode="nearest") + rng.normal(0, 0.05)
    f0 = 440 * 2 ** ((midi - 69) / 12)

    spectrum = at_frames(voiced, source)                      # log power on the bins of the spoken rate
    hz = np.arange(FFT // 2 + 1) * VOICE_RATE / FFT
    octaves = np.log2(np.clip(hz, 250, None) / 1000)
    spectrum = spectrum + take["tilt"] * octaves * np.log(10) / 10
    # Aspiration: how much of the voice is breath, growing with frequency.
    breath_db = np.interp(hz, [0, 1500, 4000, 8000, 16000], [-38, -30, -18, -9, -4]) + take["breathy"]
    breath = np.minimum(10 ** (breath_db / 10), 0.9)

    # Minimum phase from the cepstrum: a vowel then starts and rings like one instead of like a pulse.
    full = np.concatenate([spectrum, spectrum[:, -2:0:-1]], axis=1) / 2
    ceps = np.fft.ifft(full, axis=1).real
    fold = np.zeros(FFT)
    fold[0] = fold[FFT // 2] = 1
    fold[1:FFT // 2] = 2
    phase = np.fft.fft(ceps * fold, axis=1).imag[:, :FFT // 2 + 1]

    out = np.zeros(frames * HOP)
    # A held note eases off a little.
    voice = voice * 10 ** (-3.0 / 20 * np.clip(since / 0.9, 0, 1.3))
    n = np.arange((frames - 1) * HOP)
    i, frac = n // HOP, (n % HOP) / HOP
    lerp = lambda a: a[i] * (1 - frac) + a[i + 1] * frac
    f0s = lerp(f0)
    theta = 2 * np.pi * np.cumsum(f0s) / RATE
    rows = np.arange(frames)
    for k in range(1, int(15500 / f0.min()) + 1):
        f = k * f0 / take["warp"]
        b = np.clip(f / (VOICE_RATE / FFT), 0, FFT // 2 - 1.001)
        j, g = b.astype(int), b % 1
        log_amp = spectrum[rows, j] * (1 - g) + spectrum[rows, j + 1] * g
        amp = 2 * np.exp(log_amp / 2) * np.sqrt(f0 / RATE * (1 - breath[j])) * voice
        amp *= np.clip((15500 - k * f0) / 1000, 0, 1) * np.clip((15600 - f) / 500, 0, 1)
        ph = phase[rows, j] * (1 - g) + phase[rows, j + 1] * g
        out[:len(n)] += lerp(amp) * np.cos(k * theta + lerp(ph))

    # Noise: hissing consonants and bursts, and the breath inside the voice.
    shape = np.exp(at_frames(noise, source)) * hiss[:, None] ** 2 + np.exp(spectrum) * breath * voice[:, None] ** 2
    white = rng.standard_normal((frames + 2) * HOP)
    window = np.hanning(2 * HOP + 1)[:-1]
    bins = np.arange(257) * RATE / 512
    # A consonant's colour moves less between singers than a vowel's: half the warp.
    read = bins / (1 + 0.5 * (take["warp"] - 1))
    for m in range(1, frames - 1):
        gain = np.sqrt(np.interp(read, hz, shape[m], right=shape[m, -1]))
        gain *= np.clip((17500 - bins) / 2500, 0, 1)
        seg = np.fft.irfft(np.fft.rfft(white[(m - 1) * HOP:(m + 1) * HOP] * window, 512) * gain)
        # Zero-phase filtering: what rings ahead of the block wraps round to the end of the 512 and is dropped,
        # a loss of no weight, as a consonant's envelope is smooth and its response short.
        out[(m - 1) * HOP:(m + 1) * HOP] += seg[:2 * HOP]

    out = out[:total]
    # Own joins must not click: short raised-cosine ramps, a longer one where a vowel or nasal dies away.
    a = int((0.002 if sung[0]["phone"] in STOPS else 0.010) * RATE)
    out[:a] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(a) + .5) / a)
    z = int(release * RATE)
    out[-z:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(z) + .5) / z)
    return out, sung, length + release, midi[-1]


def breath_noise(rng, seconds):
    """Air drawn in: broad weak noise with the colour of an open mouth, swelling, then stopping rather quickly."""
    n = int(seconds * RATE)
    x = rng.standard_normal(n)
    y = 0.12 * x
    for centre, width, gain in [(1150, 500, 1.0), (2500, 900, 0.8), (4700, 1800, 0.6), (8000, 3500, 0.25)]:
        c = centre * rng.uniform(0.93, 1.07)
        band = butter(1, [(c - width / 2) / (RATE / 2), (c + width / 2) / (RATE / 2)], "band", output="sos")
        y += gain * sosfilt(band, x) / np.sqrt(width / 1000)
    t = (np.arange(n) + .5) / n
    top = rng.uniform(0.62, 0.74)
    env = np.where(t < top, np.sin(np.pi / 2 * np.clip(t / top, 0, 1)) ** 1.6, np.cos(np.pi / 2 * np.clip((t - top) / (1 - top), 0, 1)) ** 1.3)
    env *= 1 + 0.15 * np.interp(t, np.linspace(0, 1, 9), rng.standard_normal(9))
    y *= env
    return y / np.sqrt(np.mean(y ** 2))


def room_tone(rng, n, level_db):
    """A quiet room: falling towards the top, with a little hiss of the amplifier."""
    f = np.fft.rfftfreq(n, 1 / RATE)
    shape = 1 / np.sqrt(1 + (f / 350) ** 2) + 0.05
    shape *= f ** 2 / (f ** 2 + 35 ** 2)          # rumble below is filtered by any microphone amplifier
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)
    return x / np.sqrt(np.mean(x ** 2)) * 10 ** (level_db / 20)


def make_take(name, take, lines):
    rng = np.random.default_rng(take["seed"])
    n = int(LENGTH * RATE)
    sung_sum = np.zeros(n)
    words, breaths, pieces = [], [], []
    for li, (line, spoken) in enumerate(zip(LINES, lines)):
        line_gain = rng.uniform(-1.2, 1.2)
        previous = line[0][1][0] + take["third"] - 1.0
        for wi, ((text, notes, slot, beats), (voiced, noise, source)) in enumerate(zip(line, spoken)):
            last = wi == len(line) - 1
            tail = take["tails"][li] / 1000 if last else 0.0
            notes = [diatonic(m, take["third"]) for m in notes]
            x, phones, length, previous = sing(source, voiced, noise, notes, beats, tail, take, rng, previous)
            # Words are brought to about one loudness (a singer does that, the speaking voice does not), then vary.
            loud = np.sqrt(np.mean(np.sort(x ** 2)[-len(x) // 3:]))
            x *= 10 ** ((line_gain + rng.uniform(-1.5, 1.5)) / 20) / loud
            offset = take["offsets"][li][wi]
            at = int(round((FIRST + li * LINE_BEATS * BEAT + slot * BEAT) * RATE)) + offset * RATE // 1000
            start = at / RATE
            if words and words[-1]["line"] == li + 1:
                free = start - words[-1]["end_s"]
                if free < 0.005:
                    sys.exit(f"{name}: {text!r} in line {li + 1} would start {free * 1000:+.0f} ms after the word before it")
            sung_sum[at:at + len(x)] += x
            pieces.append(x)
            final = []
            for p in reversed(phones):
                if p["phone"] in VOWELS:
                    break
                final.insert(0, p)
            place = lambda ps: [dict(phone=p["phone"], start_s=round(start + p["start"], 5),
                                     end_s=round(start + p["end"], 5)) for p in ps]
            words.append(dict(line=li + 1, word=text.lower(), start_s=round(start, 6), start_smp=at,
                              end_s=round((at + len(x)) / RATE, 6), end_smp=at + len(x), offset_ms=offset,
                              tail_extra_ms=take["tails"][li] if last else 0, last_in_line=last,
                              midi=notes, phones=place(phones), final_consonants=place(final)))
            if wi == 0:
                breaths.append((li, start))
    to_peak = 10 ** (take["peak_db"] / 20) / np.max(np.abs(sung_sum))
    sung_sum *= to_peak
    for w, x in zip(words, pieces):
        # What an ear, or an analysis, can find: where 5 ms of the word alone are stronger than the room tone.
        level = np.sqrt(np.maximum(uniform_filter1d((x * to_peak) ** 2, 240, mode="constant"), 0))
        heard = np.nonzero(level > 10 ** (take["floor_db"] / 20))[0]
        w["heard_start_s"] = round(w["start_s"] + int(heard[0]) / RATE, 4)
        w["heard_end_s"] = round(w["start_s"] + int(heard[-1]) / RATE, 4)

    out_breaths = []
    for li, start in breaths:
        seconds = rng.uniform(0.30, 0.40)
        end = start - rng.uniform(0.05, 0.09)
        x = breath_noise(rng, seconds) * 10 ** ((take["breath_db"] + rng.uniform(-1.5, 1.5)) / 20)
        a = int(round((end - seconds) * RATE))
        sung_sum[a:a + len(x)] += x
        out_breaths.append(dict(line=li + 1, start_s=round(a / RATE, 6), end_s=round((a + len(x)) / RATE, 6)))

    y = sung_sum + room_tone(rng, n, take["floor_db"])
    # Triangular dither of two steps in all, so that rounding adds noise and no distortion.
    y16 = np.clip(np.round(y * 32767 + rng.triangular(-1, 0, 1, n)), -32768, 32767).astype(np.int16)

    gaps, edge = [], 0.0
    for b in out_breaths:
        gaps.append(dict(start_s=round(edge, 6), end_s=b["start_s"]))
        edge = max(w["end_s"] for w in words if w["line"] == b["line"])
    gaps.append(dict(start_s=round(edge, 6), end_s=LENGTH))
    truth = dict(role=take["role"], file=f"{name}.flac", seed=take["seed"], floor_db=take["floor_db"],
                 words=words, breaths=out_breaths, gaps=gaps)
    return y16, truth


def render(work, out):
    lines = load_words(work)
    truth = dict(title=TITLE, rate=RATE, frames=int(LENGTH * RATE), beat_s=BEAT,
                 note="start_s is the first sample of the word's own sound (for p t k b d the burst); end_s is where "
                      "its release has faded out. offset_ms is exact to the sample: start here minus start in the "
                      "guide. tail_extra_ms is by how much the word is sung longer than in the guide, so its end is "
                      "offset_ms + tail_extra_ms late. heard_start_s and heard_end_s: where 5 ms "
                      "of the word alone rise above and last stand above the take's room tone. gaps hold room tone only. phones are planned times: consonants "
                      "as spoken, and the edges of a vowel are soft.", takes={})
    for name, take in TAKES.items():
        y, truth["takes"][name] = make_take(name, take, lines)
        sf.write(Path(work) / f"{name}.wav", y, RATE, subtype="PCM_16")
    (Path(out) / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    (Path(out) / "lyrics.txt").write_text(TITLE + "\n\n" + "\n".join(LYRICS) + "\n")


if __name__ == "__main__":
    if sys.argv[1:] == ["script"]:
        script()
    elif len(sys.argv) == 4 and sys.argv[1] == "render":
        render(sys.argv[2], sys.argv[3])
    else:
        sys.exit(__doc__)
