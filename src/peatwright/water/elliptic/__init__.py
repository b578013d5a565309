"""Elliptic problems on a grid: each cell exchanges with its four neighbours and with the outside.
Own multigrid cycle as preconditioner of conjugate gradients, or of BiCGStab where flow is one-way.
"""
