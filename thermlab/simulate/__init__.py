"""Simulation: a bench with known truth in, its logs out; for tests, demo and studies, imported by nothing else."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    ladders="SimulatedTreatment simulate_campaign simulate_ladders",
    logs="DIALECTS LogDialect write_campaign write_logs",
    network="passive_bench",
    readings="Disturbance SimulatedRoom SimulatedSensors",
)
