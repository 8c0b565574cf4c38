// Runs before the first paint, so that a dark room stays dark.
"use strict";
document.documentElement.dataset.theme = localStorage.getItem("tegwatch-theme") || "auto";
