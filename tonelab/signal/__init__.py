"""What code values mean: quantisation, matrices, transfer functions, ICtCp, ΔE_ITP.

Pure arithmetic, no files.
"""
