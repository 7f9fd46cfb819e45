#!/usr/bin/env bash
# Follows the README to the letter as a stranger would: a clean clone, an empty home, nothing of cargo's but what the
# network gives. Every shell block of the README is run as it stands there, top to bottom, and has to pass.
#
#   tests/fresh.sh               all but the README's `tests/run`, which takes long
#   tests/fresh.sh --with-tests  that too
#   tests/fresh.sh --warm        with the crates and the target folder that are at hand: to try the later lines in a minute
#
# Three lines need a hand: `tautline open` gets a pseudo-terminal and, once it is up, the key that leaves; `tautline
# audition` loops until it is stopped, so it is stopped; both may say that there is no sound device (exit code 4).
set -euo pipefail
here=$(cd "$(dirname "$0")/.." && pwd)
with_tests=false warm=false
for word in "$@"; do
    case "$word" in
        --with-tests) with_tests=true ;;
        --warm) warm=true ;;
        *) echo "fresh: what is $word?" >&2; exit 2 ;;
    esac
done

work=$(mktemp -d "${TMPDIR:-/tmp}/tautline-fresh.XXXXXX")
trap 'rm -rf "$work"' EXIT
mkdir "$work/home"
git clone --quiet "$here" "$work/clone"

# The toolchain is the one thing that the README takes for granted.
toolchain=$(rustup show home 2>/dev/null || echo "$HOME/.rustup")
cargo_bin=$(dirname "$(command -v cargo)")
surroundings=(
    env -i HOME="$work/home" USER=stranger TERM=xterm-256color LANG=C.UTF-8 CI=true
    RUSTUP_HOME="$toolchain" RUSTUP_TOOLCHAIN="$(rustup show active-toolchain 2>/dev/null | cut -d' ' -f1)"
    CARGO_HOME="$work/home/.cargo" PATH="$work/home/.cargo/bin:$cargo_bin:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
)
if $warm; then
    # Installing still goes to the empty home.
    surroundings+=(CARGO_HOME="${CARGO_HOME:-$HOME/.cargo}" CARGO_INSTALL_ROOT="$work/home/.cargo" CARGO_TARGET_DIR="${CARGO_TARGET_DIR:-$here/target}")
fi

fail() { echo "fresh: FAILED: $*" >&2; exit 1; }
count=0

# Runs one line of the README in the folder where the reader stands by now.
follow() {
    local line=$1 code=0 began=$SECONDS
    count=$((count + 1))
    case "$line" in
        tests/run*) $with_tests || { echo "fresh: left out: $line"; return 0; } ;;
    esac
    case "$line" in
        "cd "*)
            folder=$folder/${line#cd }
            [ -d "$folder" ] || fail "$line: there is no such folder"
            return 0
            ;;
        "tautline open "*)
            # However long the screen takes to come up on this machine: the key is pressed until it is heard.
            { trap '' PIPE; for _ in {1..20}; do sleep 3; printf '\021' || break; done; } 2>/dev/null \
                | (cd "$folder" && timeout 70 "${surroundings[@]}" script -qefc "${line%%#*}" /dev/null) >"$work/said" 2>&1 || code=$?
            [ "$code" = 0 ] || [ "$code" = 4 ] || { tail -n 5 "$work/said"; fail "$line: exit code $code"; }
            ;;
        "tautline audition "*)
            (cd "$folder" && timeout -s INT 5 "${surroundings[@]}" bash -c "${line%%#*}") >"$work/said" 2>&1 || code=$?
            # 124: it was still playing when it was stopped.
            [ "$code" = 0 ] || [ "$code" = 4 ] || [ "$code" = 124 ] || { tail -n 5 "$work/said"; fail "$line: exit code $code"; }
            ;;
        "tautline check "*)
            (cd "$folder" && "${surroundings[@]}" bash -c "$line") >"$work/said" 2>&1 || code=$?
            # 1: it found something, which is what it is for.
            [ "$code" -le 1 ] || { tail -n 5 "$work/said"; fail "$line: exit code $code"; }
            ;;
        *)
            (cd "$folder" && "${surroundings[@]}" bash -c "$line" </dev/null) >"$work/said" 2>&1 || code=$?
            [ "$code" = 0 ] || { tail -n 20 "$work/said"; fail "$line: exit code $code"; }
            ;;
    esac
    printf 'fresh: %4d s  %s\n' $((SECONDS - began)) "$line"
}

# The shell blocks of the README, line by line; comments and empty lines are for the reader.
blocks() {
    awk '/^```sh$/ { inside = 1; next } /^```/ { inside = 0 } inside' "$work/clone/README.md" | grep -Ev '^[[:space:]]*(#|$)'
}

folder=$work/clone
installed=false
while IFS= read -r line <&3; do
    case "$line" in
        tautline*)
            if ! $installed; then
                # README: "`cargo install --path .` puts `tautline` on your path".
                grep -q '`cargo install --path \.`' "$work/clone/README.md" || fail "the README does not say how tautline gets on the path"
                stood=$folder
                folder=$work/clone
                follow "cargo install --path ."
                folder=$stood
                installed=true
            fi
            ;;
    esac
    follow "$line"
done 3< <(blocks)

[ "$count" -gt 15 ] || fail "only $count lines were found in the README"
[ -d "$work/clone/tautline-demo/handoff" ] || fail "there is no hand-off at the end"
stray=$(find "$work/home" -mindepth 1 -maxdepth 1 ! -name .cargo ! -name .cache ! -name .config ! -name .local | head)
[ -z "$stray" ] || fail "something strange was left in the home folder: $stray"
[ -z "$(git -C "$work/clone" status --porcelain --untracked-files=no)" ] || fail "files of the clone were changed"
echo "fresh: passed, $count lines in $SECONDS s"
