"""Findings into what people read: debriefs, summaries, comparisons, pictures, exchange files.

Names are loaded on first use: drawing is heavy, and most commands don't draw.
"""

from __future__ import annotations

_HOMES = {
    "Comparison": "comparison",
    "compare": "comparison",
    "comparison_csv": "comparison_tables",
    "comparison_html": "comparison_views",
    "comparison_json": "comparison_views",
    "comparison_text": "comparison_views",
    "debrief_html": "html",
    "debrief_markdown": "markdown",
    "findings_document": "debrief",
    "fit_text": "text",
    "flight_figures": "pictures",
    "make_debrief": "debrief",
    "orbit_messages": "ccsds",
    "picture_bytes": "pictures",
    "plan_text": "plan",
    "summary_text": "text",
    "write_comparison": "comparison_views",
    "write_debrief": "debrief",
    "write_exchange": "exchange",
    "write_plan": "plan",
    "write_figures": "pictures",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str):
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'analyser.reporting' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"analyser.reporting.{home}"), name)
