"""What the dashboard is put together from: queries, numbers, courses over time, variables and annotations."""

from __future__ import annotations

from collections.abc import Sequence

from grafana_foundation_sdk.builders import common, dashboard, prometheus, stat, timeseries
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.models import common as c
from grafana_foundation_sdk.models import dashboard as d
from grafana_foundation_sdk.models import prometheus as p

SOURCE = d.DataSourceRef(type_val="prometheus", uid="${datasource}")
J = 'job=~"$job"'
JH = f'{J}, host=~"$host"'
GREEN, YELLOW, ORANGE, RED, BLUE = "green", "#EAB839", "orange", "red", "blue"
TITLES: dict[str, str] = {}
"""Texts of the annotations, by name."""
Queries = Sequence[tuple[str, str]]
"""Expression and legend."""


def variable(name: str, label: str, query: str) -> dashboard.QueryVariable:
    """A variable of many values, all of them at first."""
    return (
        dashboard.QueryVariable(name)
        .label(label)
        .datasource(SOURCE)
        .query({"query": query, "refId": name, "qryType": 1})
        .refresh(d.VariableRefresh.ON_TIME_RANGE_CHANGED)
        .sort(d.VariableSort.ALPHABETICAL_ASC)
        .multi(True)
        .include_all(True)
        .all_value(".*")
    )


def annotation(name: str, expr: str, text: str, colour: str) -> dashboard.AnnotationQuery:
    """Marks from a query."""
    target = d.AnnotationTarget(limit=100, match_any=False, tags=[], type_val="tags")
    TITLES[name] = text
    return (
        dashboard.AnnotationQuery()
        .name(name)
        .datasource(SOURCE)
        .enable(True)
        .icon_color(colour)
        .expr(expr)
        .target(AnnotationTarget(target))
    )


class AnnotationTarget(Builder[d.AnnotationTarget]):
    """A model as the builder that the library asks for."""

    def __init__(self, model: d.AnnotationTarget) -> None:
        self._model = model

    def build(self) -> d.AnnotationTarget:
        """The model."""
        return self._model


def query(expr: str, legend: str, ref: str = "A", *, instant: bool = False) -> prometheus.Dataquery:
    """One query."""
    built = prometheus.Dataquery().expr(expr).legend_format(legend).ref_id(ref).datasource(SOURCE)
    built = built.editor_mode(p.QueryEditorMode.CODE)
    return built.instant().format(p.PromQueryFormat.TABLE) if instant else built.range()


def thresholds(*steps_: tuple[float | None, str]) -> dashboard.ThresholdsConfig:
    """Colours from each value on."""
    marks = [d.Threshold(value=value, color=colour) for value, colour in steps_]
    return dashboard.ThresholdsConfig().mode(d.ThresholdsMode.ABSOLUTE).steps(marks)


def number(
    title: str, text: str, expr: str, legend: str, marks: dashboard.ThresholdsConfig, **style: object
) -> stat.Panel:
    """A panel of one large number, or one for each budget."""
    return (
        stat.Panel()
        .title(title)
        .description(text)
        .datasource(SOURCE)
        .span(int(str(style.get("span", 4))))
        .height(4)
        .unit(str(style.get("unit", "none")))
        .thresholds(marks)
        .color_mode(c.BigValueColorMode.VALUE)
        .graph_mode(c.BigValueGraphMode.AREA)
        .text_mode(c.BigValueTextMode.AUTO)
        .reduce_options(common.ReduceDataOptions().calcs(["lastNotNull"]).values(False))
        .no_value(str(style.get("none", "–")))
        .with_target(query(expr, legend))
    )


def course(title: str, text: str, queries: Queries, unit: str, **style: object) -> timeseries.Panel:
    """Lines over time."""
    built = (
        timeseries.Panel()
        .title(title)
        .description(text)
        .datasource(SOURCE)
        .span(int(str(style.get("span", 12))))
        .height(9)
        .unit(unit)
        .line_width(1)
        .fill_opacity(0)
        .show_points(c.VisibilityMode.NEVER)
        .legend(
            common.VizLegendOptions()
            .display_mode(c.LegendDisplayMode.LIST)
            .placement(c.LegendPlacement.BOTTOM)
            .show_legend(bool(style.get("legend", True)))
        )
        .tooltip(common.VizTooltipOptions().mode(c.TooltipDisplayMode.MULTI).sort(c.SortOrder.DESCENDING))
    )
    if style.get("symlog"):
        scale = common.ScaleDistributionConfig().type(c.ScaleDistribution.SYMLOG).log(10).linear_threshold(1e-6)
        built = built.scale_distribution(scale)
    for number_, (expr, legend) in enumerate(queries):
        built = built.with_target(query(expr, legend, chr(ord("A") + number_)))
    return built
