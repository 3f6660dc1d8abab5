"""fitting"""
