"""reporting"""
