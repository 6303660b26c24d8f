"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .calculation import Calculation as Calculation, Field as Field, Table as Table, typed_number as typed_number
from .pages import CALCULATIONS as CALCULATIONS
