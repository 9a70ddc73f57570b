// Bright or dark, before anything is drawn. The choice is kept in this browser; without one the system's counts.
"use strict";
try {
  const kept = localStorage.getItem("stagectl light");
  if (kept === "bright" || kept === "dark") document.documentElement.dataset.light = kept;
} catch {
  // No storage here: the system's choice counts.
}
