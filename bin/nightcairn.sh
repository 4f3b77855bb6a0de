#!/bin/sh
# Linux: double-click ("Run in terminal" where the file manager asks). Waits for cards and does all the work on each.
here=$(cd "$(dirname "$0")" && pwd)

# Started without a terminal on a desktop: open one and start again in it.
if [ ! -t 1 ] && [ -n "$DISPLAY$WAYLAND_DISPLAY" ] && [ -z "$NIGHTCAIRN_IN_TERMINAL" ]; then
  export NIGHTCAIRN_IN_TERMINAL=1
  for terminal in x-terminal-emulator konsole xfce4-terminal xterm; do
    command -v "$terminal" >/dev/null 2>&1 && exec "$terminal" -e "$here/nightcairn.sh"
  done
  command -v gnome-terminal >/dev/null 2>&1 && exec gnome-terminal -- "$here/nightcairn.sh"
fi

if command -v node >/dev/null 2>&1; then
  node "$here/start.js" "$@"
else
  echo "Nightcairn needs Node.js 20 or newer. Install it from https://nodejs.org or with your system's packages, and double-click again."
fi
if [ -t 0 ]; then
  printf '\nPress Enter to close this window. '
  read -r _
fi
