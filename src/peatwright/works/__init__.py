"""What is built where: choice of method, placement, size, quantities and price.

Takes stations and rules, gives items; every item says why.
"""
