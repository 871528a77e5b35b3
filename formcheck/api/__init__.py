"""The Python interface: what a script or a notebook may rely on, nothing else; no arithmetic.

`formcheck` itself gives these names, each imported when it is first used.
"""
