"""What is published once more in the forms that home hubs and simple dashboards read by themselves.

Translators (`homie`, `discovery`, `flat`) are pure: from a `picture` of the newest documents to
retained messages. `bridge` keeps the broker in step with them, over a connection of its own.
"""
