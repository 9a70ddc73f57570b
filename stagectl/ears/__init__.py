"""What reaches each listener's ears over a set: the sums of the mixes over time, and what they come to as exposure.

Pure: levels and times go in, figures and lines come out. Every figure is an estimate.
"""
