"""ingest"""
