"""The look that written documents share: ink on paper, by day and by night."""

from __future__ import annotations

__all__ = ["STYLE"]

STYLE = """
:root { color-scheme: light dark; --ink: #22282b; --paper: #fcfaf5; --line: #d6d1c6;
  --mark: #a2482d; --faint: #6a7377; }
@media screen and (prefers-color-scheme: dark) {
  :root { --ink: #e9e6df; --paper: #1b1f21; --line: #394145; --mark: #f0a27f; --faint: #9aa3a6; }
}
body { font: 15px/1.5 system-ui, sans-serif; margin: 1.5rem auto; max-width: 74rem;
  padding: 0 1rem; color: var(--ink); background: var(--paper); overflow-wrap: anywhere; }
img { max-width: 100%; border-radius: 3px; display: block; }
@media print {
  :root { color-scheme: light; }
  body { margin: 0; max-width: none; }
  img, li, tr, .character { break-inside: avoid; }
}
"""
"""CSS for the beginning of a page's own."""
