"""TEMP"""
