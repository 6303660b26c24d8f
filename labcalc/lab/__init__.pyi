"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from ._decisions_file import file_head as file_head, verify_file as verify_file
from ._tables import nearest as nearest
from .classes import (
    GradeSystem as GradeSystem,
    ProductClass as ProductClass,
    grade_systems as grade_systems,
    product_classes as product_classes,
    quantities_of as quantities_of,
    standard_limits as standard_limits,
)
from .clock import CLOCK_VARIABLE as CLOCK_VARIABLE, present_moment as present_moment
from .decisions import (
    DECISION_KINDS as DECISION_KINDS,
    Assignment as Assignment,
    Decided as Decided,
    Decision as Decision,
    add_decision as add_decision,
    checked_decisions as checked_decisions,
    decisions_file as decisions_file,
)
from .laboratory import (
    REPEAT_KINDS as REPEAT_KINDS,
    Baseline as Baseline,
    CertifiedValue as CertifiedValue,
    ConformityChoices as ConformityChoices,
    ControlChoices as ControlChoices,
    DecisionChoices as DecisionChoices,
    DuplicateChoices as DuplicateChoices,
    Instrument as Instrument,
    Laboratory as Laboratory,
    Limit as Limit,
    Precision as Precision,
    PrecisionFunction as PrecisionFunction,
    Product as Product,
    RecordPlace as RecordPlace,
    ReferenceLot as ReferenceLot,
    ReferenceMaterial as ReferenceMaterial,
    ReportChoices as ReportChoices,
    TypicalValue as TypicalValue,
    Uncertainty as Uncertainty,
)
from .precision import (
    PrecisionStatement as PrecisionStatement,
    method_of as method_of,
    precision_for as precision_for,
    published_precision as published_precision,
)
from .reading import (
    certificates as certificates,
    earlier_export_files as earlier_export_files,
    label_runs as label_runs,
    lot_in_use as lot_in_use,
    name_fits as name_fits,
    product_of as product_of,
    read as read,
    reference_of as reference_of,
)
from .record.adding import (
    Added as Added,
    Issue as Issue,
    IssuedReport as IssuedReport,
    add_certificates as add_certificates,
    add_exports as add_exports,
    add_issued as add_issued,
    add_pages as add_pages,
    exports_not_held as exports_not_held,
    issued_report as issued_report,
    settled_files as settled_files,
    watch_exports as watch_exports,
)
from .record.chain import Head as Head
from .record.decided import move_decisions as move_decisions
from .record.recalling import (
    export_bytes as export_bytes,
    find_entries as find_entries,
    find_rows as find_rows,
    printed_head as printed_head,
    read_record as read_record,
    record_head as record_head,
)
from .record.verifying import Fault as Fault, verify_record as verify_record
from .settings import laboratory_from as laboratory_from, line_of_key as line_of_key, load_laboratory as load_laboratory
