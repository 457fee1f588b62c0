"""A second simulated world, and a judge that knows Tidegate by its published interface only.

The project's own simulation and its diagnosis were written by the same hands. Here nothing is
shared with them but the functions of sea water: tanks, devices, faults and figures are drawn from
what is known of real tanks, a capture file is written, ``tidegate replay`` is run on it, and what
it published is compared with the truth.

``python -m tests.second_world --seeds 0-41 --jobs 2``
"""
