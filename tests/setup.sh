#!/usr/bin/env bash
# Looks for what building needs and installs it: asks first at a terminal, goes ahead where CI=true.
# Prints the cargo features to build with on its last line of standard output; all else goes to
# standard error. Without the right to install, sound is left out and all the rest works.
set -euo pipefail

say() { echo "set-up: $*" >&2; }
die() { say "$*"; exit 1; }

if ! command -v cargo >/dev/null; then
    [ -x "$HOME/.cargo/bin/cargo" ] && export PATH="$HOME/.cargo/bin:$PATH"
fi
command -v cargo >/dev/null || die "cargo is missing. Install Rust 1.95 or newer with rustup, then run this again"
version=$(rustc --version | cut -d' ' -f2)
oldest=$(printf '%s\n1.95.0\n' "$version" | sort -V | head -n 1)
[ "$oldest" = 1.95.0 ] || die "Rust $version is too old; 'rustup update' brings a newer one (1.95 or later)"

packages=()
command -v cc >/dev/null || packages+=(build-essential)
command -v pkg-config >/dev/null || packages+=(pkg-config)
pkg-config --exists alsa 2>/dev/null || packages+=(libasound2-dev)

install() {
    local root=()
    [ "$(id -u)" = 0 ] || root=(sudo)
    command -v apt-get >/dev/null || return 1
    [ "$(id -u)" = 0 ] || command -v sudo >/dev/null || return 1
    if [ "${CI:-}" != true ]; then
        [ -t 0 ] || return 1
        read -r -p "set-up: install ${packages[*]} with apt-get? [Y/n] " answer >&2
        [[ "${answer:-y}" =~ ^[Yy] ]] || return 1
    fi
    "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get update -q >&2 || true
    "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends \
        "${packages[@]}" >&2
}

features=--all-features
if [ ${#packages[@]} -gt 0 ] && ! install; then
    command -v cc >/dev/null || die "a C compiler is missing and could not be installed: install build-essential"
    say "building with sound off (${packages[*]} could not be installed): sound devices are left out, all else works"
    features=--no-default-features
fi
echo "$features"
