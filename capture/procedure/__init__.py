"""Procedures: what a kind of job must contain, read from one TOML file."""

from capture.procedure.loader import find, load_procedure, parse_procedure, shipped
from capture.procedure.model import Procedure

__all__ = ["Procedure", "find", "load_procedure", "parse_procedure", "shipped"]
