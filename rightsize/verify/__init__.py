"""Realized gain: what came of a change-out, against what would have been registered without it.

`change_outs` makes cases of the meter history, `panel` holds volumes by account and period,
`matching` finds accounts that kept their meter, `difference` estimates the gain, `set_aside`
tells vacancy, change of use, repaired leaks and wrong multipliers apart, `realised` puts these
together, `power` says what can be seen at all, `calibration` and `correction` hold promises
against what came.

References
----------
The arithmetic is that of an adjusted baseline: savings are the reporting period against the
baseline period's use, adjusted to the conditions of the reporting period, with non-routine
events taken out (IPMVP Core Concepts, Option C, whole facility; ASHRAE Guideline 14, whole
building approach; both from memory). A gain of registration is a saving with its sign turned.
"""
