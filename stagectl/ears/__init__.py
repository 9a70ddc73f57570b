"""What reaches each listener's ears: how clear a mix is, its sum over a set, and what that comes to as exposure.

Pure: levels and times go in, figures and lines come out. Every figure is an estimate.
"""
