#!/bin/sh
# macOS: double-click. Opens a terminal window, waits for cards and does all the work on each.
# The first time the system may ask: right-click, Open.
here=$(cd "$(dirname "$0")" && pwd)
if ! command -v node >/dev/null 2>&1; then
  PATH="/opt/homebrew/bin:/usr/local/bin:$PATH"
fi
if command -v node >/dev/null 2>&1; then
  node "$here/start.js" "$@"
else
  echo "Nightcairn needs Node.js 20 or newer. Get it from https://nodejs.org, install it, and double-click again."
fi
if [ -t 0 ]; then
  printf '\nPress Enter to close this window. '
  read -r _
fi
