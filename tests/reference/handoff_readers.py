"""Reads a hand-off with independent readers: libsndfile (soundfile), OpenTimelineIO, the csv module, struct for `bext`.

    handoff_readers.py rf64 FILE FRAMES
    handoff_readers.py handoff BOUNCE.json SHOW.json FOLDER ORIGIN
    handoff_readers.py page SHEET.html CHROMIUM

Exit code 77: a library is not installed. Any other code but 0: something does not fit.
"""

import csv
import json
import re
import struct
import subprocess
import sys
import tempfile
from pathlib import Path


def libraries():
    try:
        import opentimelineio
        import soundfile

        return soundfile, opentimelineio
    except ImportError as missing:
        print(f"not installed: {missing}", file=sys.stderr)
        sys.exit(77)


def rf64(path, frames):
    soundfile, _ = libraries()
    info = soundfile.info(path)
    assert (info.frames, info.samplerate, info.channels) == (int(frames), 96000, 2), info
    assert info.format == "RF64" and info.subtype == "FLOAT", info
    with soundfile.SoundFile(path) as file:
        assert file.read(2).tolist() == [[0.5, 0.25], [0.5, 0.25]]
        file.seek(int(frames) - 1)
        assert file.read(1).tolist() == [[-0.5, -0.25]]


def bext_of(path):
    """The data of the `bext` chunk, found by walking the chunks of RIFF."""
    data = Path(path).read_bytes()
    at = 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        if name == b"bext":
            return data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    return None


def handoff(bounce, show, folder, origin):
    soundfile, otio = libraries()
    bounce, show = json.loads(Path(bounce).read_text()), json.loads(Path(show).read_text())
    for file in bounce["files"]:
        info = soundfile.info(file["path"])
        assert (info.frames, info.samplerate) == (bounce["length"], bounce["rate"]), info
        assert info.channels == file.get("channels"), info
        samples, _ = soundfile.read(file["path"])
        peak = abs(samples).max()
        if peak > 0:
            # 20·log10 of the largest sample; dither and rounding may move it by a step or two.
            assert abs(peak - 10 ** (file["peak_db"] / 20)) < 3 / 32768, (peak, file)
        if not file["path"].endswith(".wav"):
            continue
        # EBU Tech 3285 v2: Originator 256, OriginationDate 320, TimeReference 338, Version 346, LoudnessValue 412,
        # LoudnessRange 414, MaxTruePeakLevel 416, MaxMomentaryLoudness 418, MaxShortTermLoudness 420, CodingHistory 602.
        bext = bext_of(file["path"])
        assert bext[256:264] == b"Tautline", bext[256:288]
        assert bext[288:290] == b"TL" and len(bext[288:320].rstrip(b"\0")) == 32
        (reference,) = struct.unpack("<Q", bext[338:346])
        assert reference == int(origin) + bounce["start"], reference
        assert struct.unpack("<H", bext[346:348])[0] == 2
        fields = struct.unpack("<5h", bext[412:422])
        loudness = file["loudness"]
        names = ["integrated_lufs", "range_lu", "true_peak_db", "momentary_lufs", "short_term_lufs"]
        for field, name in zip(fields, names):
            wanted = 0x7FFF if loudness[name] is None else round(loudness[name] * 100)
            assert abs(field - wanted) <= 1, (name, field, wanted)
        assert bext[602:].startswith(b"A=PCM,F=%d,W=%d" % (bounce["rate"], 24)), bext[602:]
        assert bext[602:].rstrip(b"\0").endswith(b"\r\n")
    timeline(otio, show, folder)


def timeline(otio, show, folder):
    (path,) = Path(folder).glob("*.otio")
    document = otio.adapters.read_from_file(str(path))
    zero = document.metadata["tautline"]["start"]
    (table,) = Path(folder).glob("*.csv")
    with open(table, newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["kind"] == "region"]
    assert len(document.tracks) == len(show["lanes"])
    for track, lane in zip(document.tracks, show["lanes"]):
        clips = [child for child in track if isinstance(child, otio.schema.Clip)]
        assert len(clips) == len(lane["regions"])
        for clip, region in zip(clips, lane["regions"]):
            place, source = clip.range_in_parent(), clip.source_range
            assert place.start_time.value + zero == region["at"], (place, region)
            assert place.start_time.rate == show["rate"]
            assert source.start_time.value == region["source_in"]
            index = track.index(clip)
            after = track[index + 1] if index + 1 < len(track) else None
            overlap = after.out_offset.value if isinstance(after, otio.schema.Transition) else 0
            assert source.duration.value + overlap == region["length"], (source, overlap, region)
            target = clip.media_reference.target_url
            assert (Path(folder) / target).resolve().name == (region.get("file") or lane["file"]), target
            assert (Path(folder) / target).exists(), target
            row = rows.pop(0)
            assert int(row["at_samples"]) + zero == region["at"] and int(row["region"]) == region["id"]
            assert int(row["length_samples"]) == region["length"]
            assert int(row["source_in_samples"]) == region["source_in"]
            assert int(row["fade_out_samples"]) == region["fade_out"]["length"]
    assert not rows


def page(sheet, chromium):
    """No request to anywhere, no sideways scrolling at 1280 px, two printed pages for four lanes."""
    text = Path(sheet).read_text()
    assert "default-src 'none'" in text
    for outside in re.findall(r"""(?:src|href|action)\s*=|@import|url\(|https?:|//[a-z]""", text):
        raise AssertionError(f"asks for something: {outside}")
    probe = '<script>document.title = "w" + document.documentElement.scrollWidth + " of " + innerWidth;</script></body>'
    measured = re.sub(r"<meta http-equiv[^>]*>", "", text).replace("</body>", probe)
    flags = [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--window-size=1280,900"]
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "page.html"
        copy.write_text(measured)
        dom = subprocess.run([*flags, "--dump-dom", copy.as_uri()], capture_output=True, text=True, timeout=120).stdout
        (found,) = re.findall(r"<title>w(\d+) of (\d+)</title>", dom)
        assert int(found[0]) <= int(found[1]) == 1280, found
        printed = Path(folder) / "page.pdf"
        command = [*flags, f"--print-to-pdf={printed}", "--no-pdf-header-footer", Path(sheet).resolve().as_uri()]
        subprocess.run(command, capture_output=True, check=True, timeout=120)
        pages = len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes()))
        assert pages <= 2, pages
    print(f"scroll width {found[0]} of {found[1]}, {pages} printed pages")


if __name__ == "__main__":
    {"rf64": rf64, "handoff": handoff, "page": page}[sys.argv[1]](*sys.argv[2:])
