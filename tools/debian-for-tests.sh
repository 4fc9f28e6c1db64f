#!/bin/sh
# Install the Debian packages that some tests look through (a browser, a PDF reader), or say which are missing.
# Never fails: a test that misses its program skips with that reason, and fails when CI=true (tests/conftest.py).
set -u

missing=""
command -v chromium >/dev/null || missing="$missing chromium"
command -v pdftotext >/dev/null || missing="$missing poppler-utils"
test -n "$missing" || exit 0

as_root=""
if [ "$(id -u)" -ne 0 ]; then
    as_root="sudo -n"
    $as_root true 2>/dev/null || as_root="none"
fi
if command -v apt-get >/dev/null && [ "$as_root" != none ]; then
    echo "Installing for the tests:$missing"
    # $as_root and $missing are lists of words on purpose.
    if $as_root apt-get update -qq </dev/null >/dev/null \
        && $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing </dev/null >/dev/null; then
        exit 0
    fi
    echo "apt-get could not install them."
fi
echo "Missing for some tests:$missing. Those tests skip; to run them, install the packages (apt-get install$missing)."
