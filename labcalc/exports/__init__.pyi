"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .guessing.proposal import Proposal as Proposal, profiles_for as profiles_for, propose_profile as propose_profile
from .profile import DATE_ORDERS as DATE_ORDERS, Column as Column, Profile as Profile
from .read import read_export as read_export, read_exports as read_exports
from .table import (
    QUANTITY_COLUMNS as QUANTITY_COLUMNS,
    TIDY_COLUMNS as TIDY_COLUMNS,
    Reading as Reading,
    Refusal as Refusal,
    SourceFile as SourceFile,
    columns_not_used as columns_not_used,
    derived_mark as derived_mark,
    is_derived as is_derived,
    totals as totals,
    without_marks as without_marks,
    write_frame as write_frame,
    write_table as write_table,
)
