"""Realized gain: what came of a change-out, against what would have been registered without it.

`change_outs` makes cases of the meter history, `panel` holds volumes by account and period,
`matching` finds accounts that kept their meter, `difference` estimates the gain, `set_aside`
tells vacancy, change of use, repaired leaks and wrong multipliers apart, `realised` puts these
together, `power` says what can be seen at all, `calibration` and `correction` hold promises
against what came.

References
----------
IPMVP Core Concepts (2016), section 5, equation 1: savings = (baseline period use - reporting
period use) +/- adjustments, as quoted by T. Phillips, Stopping M&V adjustment abuse, M&V Focus
issue 2 (Efficiency Valuation Organization): the routine adjustments restate the baseline in
terms of the reporting period's conditions, non-routine ones take out what was not expected to
change. The approach is Option C, whole facility. ASHRAE Guideline 14-2014, Measurement of
Energy, Demand and Water Savings, calls it the whole building approach (from memory). A gain of
registration is a saving with its sign turned.
"""
