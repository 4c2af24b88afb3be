"""beadroll: weld radiographs and their records, from a crew's week to a weld found years later.

The tool keeps records and checks them for consistency. It does not judge a weld: codes, the contract, local
law, radiation-safety rules and qualified people decide.
"""

__version__ = "0.1.0"
