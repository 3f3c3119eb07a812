"""Pure numerics on arrays: intervals, charts, shrinkage, tests, lifetimes, sampling plans.

Nothing here knows a machine, a database or a clock. Import the module that holds the method;
importing this package loads nothing, and SciPy is loaded by the first function that needs it.
"""
