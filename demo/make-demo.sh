#!/bin/sh
# Builds the demo stack "Lantern Row" from nothing but a free speech synthesiser and numbers.
#
#   sh make-demo.sh [OUTPUT-FOLDER]        (default: the folder this script lies in)
#
# Needs these Debian packages and installs none of them by itself:
#   festival festvox-us-slt-hts festlex-cmu festlex-poslex flac
#   python3 python3-numpy python3-scipy python3-soundfile
#   (python3-matplotlib too, for check_demo.py --plot)
# Two runs on one machine give identical audio: every random number comes from a fixed seed.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
out=${1:-$here}
# Debian's own python by default: a python built elsewhere does not see the packages named above.
python=${PYTHON:-/usr/bin/python3}

for tool in festival flac "$python"; do
    command -v "$tool" >/dev/null || { echo "make-demo.sh: $tool is missing, see the package list at its top" >&2; exit 1; }
done

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$out"

# One thread: the sums of a threaded maths library may be grouped differently from run to run.
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONHASHSEED=0

"$python" "$here/make_demo.py" script >"$work/lines.scm"
(cd "$work" && festival -b lines.scm >/dev/null)
"$python" "$here/make_demo.py" render "$work" "$out"

# flac's own encoder rather than a library's: smaller, and its files carry an MD5 of the samples.
# No padding and no seek table, so that the same samples give the same bytes.
for take in lead double-1 double-2 harmony-high harmony-low; do
    flac --silent --force --best --no-padding --no-seektable \
        --output-name="$out/$take.flac" "$work/$take.wav"
done
