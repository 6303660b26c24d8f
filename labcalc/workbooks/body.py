"""The HTML body of an executed notebook, by nbconvert with a template of our own."""

from functools import lru_cache
from typing import Any

from labcalc.workbooks.lean import keep_imports_short


@lru_cache(maxsize=1)
def _exporter() -> Any:
    keep_imports_short()
    from nbconvert.exporters import HTMLExporter

    from labcalc.workbooks.page import TEMPLATES

    return HTMLExporter(
        template_name="workbook",
        default_preprocessors=[],  # each would copy and validate the notebook, and none has anything to do here
        extra_template_basedirs=[str(TEMPLATES)],
        exclude_input=True,
        exclude_anchor_links=True,
        language_code="en",
    )


def body_of(notebook: Any) -> str:
    """Return the body, without the HTML exporter's last step: it reads the page once more to mend what ours has not."""
    from nbconvert.exporters import TemplateExporter
    from nbconvert.filters.widgetsdatatypefilter import WidgetsDataTypeFilter

    exporter: Any = _exporter()
    resources = exporter._init_resources(None)
    choose: Any = WidgetsDataTypeFilter(notebook_metadata=exporter._nb_metadata, parent=exporter, resources=resources)
    exporter.register_filter("filter_data_type", choose)
    body, _ = TemplateExporter.from_notebook_node(exporter, notebook, resources)
    return str(body)
