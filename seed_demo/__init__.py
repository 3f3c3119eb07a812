"""A stochastic simulator of an invented can plant that writes a plant folder.

Use `seed_demo.simulate.simulate` and `seed_demo.folder.write_folder`, or
`python -m seed_demo FOLDER`. Nothing here knows a database.
"""
