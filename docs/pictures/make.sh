#!/usr/bin/env bash
# Makes the guide's pictures anew from the invented night. Needs chromium.
#
# Usage: docs/pictures/make.sh [FOLDER]      (FOLDER: for the night and its result)
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
night="$(realpath -m "${1:-$(mktemp -d)}")"
cd "$here/../.."
cargo run --release --quiet -- demo -o "$night"

# A page or a picture as a browser shows it: name, width, height.
shot() {
    chromium --headless --no-sandbox --disable-gpu --hide-scrollbars \
        --screenshot="$here/$1" --window-size="$2,$3" "file://$4" 2> /dev/null
}

shown="$night/shown.html"
echo "<body style='margin:0'><img src='result/preview.png' width='900'></body>" > "$shown"
shot preview.png 900 600 "$shown"
cp "$night/result/regions.png" "$here/regions.png"
# One frame beside the stack, from the head of the page.
shot page.png 1100 1900 "$night/result/report.html"
