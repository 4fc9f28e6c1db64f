"""The tryout: whole cases played on the virtual car through the same doors as a real one."""
