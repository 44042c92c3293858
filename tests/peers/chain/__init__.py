"""An own reading of plans, lamps and light, to check lampkeep's arithmetic from outside.

Nothing here comes from lampkeep's code: plans are read by docs/plan-reference.md, light is worked out from the
published formulas with numpy, scipy and colour-science. It is written to be plain, not fast.
"""
