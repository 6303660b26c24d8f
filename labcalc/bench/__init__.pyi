"""The public names of the room, and the module that each lives in; read by type checkers, and by Python on use."""

from .calculation import Calculation as Calculation, Table as Table
from .pages import CALCULATIONS as CALCULATIONS
from .typed import Field as Field, typed_number as typed_number
