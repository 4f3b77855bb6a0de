@echo off
rem Windows: double-click. Opens a window, waits for cards and does all the work on each.
title Nightcairn
chcp 65001 >nul
where node >nul 2>nul
if errorlevel 1 (
  echo Nightcairn needs Node.js 20 or newer. Get it from https://nodejs.org, install it, and double-click again.
) else (
  node "%~dp0start.js" %*
)
echo.
pause
