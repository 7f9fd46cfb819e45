#!/usr/bin/env bash
# Makes demo/pictures/*.png from the running program: the lanes, the close and the graph view over the demo.
#
#   tests/pictures.sh [PROGRAM]
#
# SHOT names the tool that types keys at a program in a pseudo-terminal and draws its screen (it is given
# --size, --keys with shot:FILE, and the command after --); by default ../shared/tools/termshot.py beside the checkout.
set -euo pipefail
here=$(cd "$(dirname "$0")/.." && pwd)
program=${1:-$here/target/release/tautline}
shot=${SHOT:-$here/../shared/tools/termshot.py}
out=$here/demo/pictures
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export HOME=$work XDG_CACHE_HOME=$work/cache XDG_STATE_HOME=$work/state XDG_CONFIG_HOME=$work/config
export LANG=C.UTF-8 COLORTERM=truecolor
mkdir -p "$out"
"$program" demo "$work/demo" --no-open >/dev/null
session=$work/demo/lantern-row.json
# A branch to look at: the words slid home by another hand, and one lane brought from the first.
"$program" run "$session" -c 'goto "words home"; fade missing 12ms on all; tail to 4.5s on lane 2; gain -3dB on role double;
  mark "softer"; bring lane 3 from "tight"; gain -1dB on lane 3; goto "gaps emptied"; shift -12ms on lane 2 at 5.9s;
  shift +9ms on lane 3 at 5.9s; mark "by hand"; goto "tight"' >/dev/null
keys="wait:2.5 enter 'text:focus lane 2; cursor to 2.05s; zoom to 5s; loop 1.2s..4.4s; cursor to 2.39s' enter wait:0.8
  right left shot:$out/lanes.png
  enter 'text:cursor to 1.535s' enter wait:0.3 v - - wait:0.8 right left shot:$out/close.png v
  f4 wait:0.3 left*12 wait:0.3 shot:$out/graph.png"
python3 "$shot" --size 120x34 --keys "$keys" -- "$program" open "$session" --out none
ls -l "$out"
