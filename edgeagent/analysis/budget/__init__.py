"""What the errors of instrument and set-up do to the values of a trace: sensitivities and contributions.

Here live the derivatives that an uncertainty budget needs, one module a group of kinds.
No combination into one number and no limits: rules/budget.py and judging/ do that.
"""
