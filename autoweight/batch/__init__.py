"""Many jobs: each in a process of its own, on one machine or a cluster, results kept by digest."""
