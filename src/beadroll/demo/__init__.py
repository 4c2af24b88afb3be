"""An invented contract and its week: the built-in example the tool can be tried on.

Everybody and everything in it is invented, and every radiograph is computed. Nothing here may be used as evidence of
anything, and nothing here knows how the tool reads what it wrote.
"""

from beadroll.demo.week import DemoWeek, write_week

__all__ = ["DemoWeek", "write_week"]
