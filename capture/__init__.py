"""From spoken readings and measured photographs to a job record that can be audited."""

__version__ = "0.1.0"
