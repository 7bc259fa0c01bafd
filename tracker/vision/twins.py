"""Films that show every picture twice, each coded anew, as an export at twice the camera's rate does.

Into every second frame of such a film next to nothing moves, while much moves into those between. One frame into which
much moves, or a few, tell nothing: so do key frames of a still scene, which are coded anew. Frames must take turns for
as long as SURE says, one after another. What is second is judged frame by frame, since a lost frame changes the turn.
"""

from dataclasses import dataclass

LEAP, LEAST = 5, 4  # so many times more boxes than into the frame before, and more than so many, is a leap
ALIKE = 2  # within so many times as many boxes: both frames moved
SURE, MOST = 20, 60  # frames that took turns: a film is believed to show pictures twice; more are not counted
NEAR = 1.5  # frame intervals within which a second picture follows its first


@dataclass(eq=False)
class Twins:
    """What is known of it as frames come in.

    moves  boxes that moved into the last frame; turn: 1 it leapt, -1 the one before had, 0 neither
    score  frames that took turns, halved by each that did not
    kept   whether the last frame was no second one
    """

    moves: int = 0
    turn: int = 0
    score: int = 0
    kept: bool = True

    def second(self, moves: int, intervals: float) -> bool:
        """Whether a frame is a second picture, by the boxes that moved since the last one kept and the time since."""
        before, self.moves = self.moves, moves
        turn = (moves > max(LEAP * before, LEAST)) - (before > max(LEAP * moves, LEAST))
        still = max(moves, before) <= LEAST
        if turn and turn != self.turn:
            self.score = min(self.score + 1, MOST)
        elif self.score < SURE or not (still or max(moves, before) > ALIKE * min(moves, before)):
            self.score //= 2
        self.turn = turn
        alike = moves <= LEAST or ALIKE * moves < before
        twin = self.score >= SURE and self.kept and intervals < NEAR and alike
        self.kept = not twin
        return twin
