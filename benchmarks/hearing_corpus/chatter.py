"""Talk that is not meant for the program: with numbers in it, and with words of call-outs."""

from __future__ import annotations

import itertools

from hearing_corpus import Side, generator

#: Sentences as they are.
_SAID: dict[Side, tuple[str, ...]] = {
    "dev": (
        "did you see the match last night, they lost three to two in the last minute",
        "I think we should call his wife after this, she is waiting on the second floor",
        "could somebody turn the music down a little please",
        "the next patient is already waiting outside and he has had no breakfast",
        "we had a very similar one on Tuesday morning",
        "please take a deep breath and hold it for me",
        "are you feeling all right over there, no pain in the chest at the moment",
        "can you move the table towards me a bit, and down",
        "that looks much better than it did before",
        "my daughter is starting school in September and she is very excited",
        "the traffic on the bridge was terrible today, it took me fifty minutes",
        "who is on call this weekend, is it you or the new colleague",
        "there is a cable lying across the floor, somebody will fall over it",
        "open another pack of gauze for me and two towels",
        "he was admitted through the emergency department at about two in the morning",
        "the coffee machine is broken again, you have to go down to level five",
        "she told me a funny story about her neighbour and the stent he was so proud of",
        "we are going to need a bigger room for that if everybody comes",
        "do we have any balloons of that size left, or have they all been ordered",
        "the last time I used that wire it took me half an hour to get across",
        "heparin was changed to another supplier, the bottles look different now",
        "his pressure at home was always around one forty over ninety",
        "I would not put a stent there, what do you think",
        "should we give him some more, or wait for the next result",
        "what was the clotting time again, did anybody write that down",
        "if this does not work we can always try the other side",
        "you could inflate it a little longer next time, people are often too quick",
        "the contrast makes you feel warm for a moment, that is quite normal",
        "in my old hospital they used to do twelve cases a day in one room",
        "let us have a look at the pictures from last year first",
        "the guide they gave me yesterday was the wrong shape for this",
        "he told me that he stopped his tablets three weeks ago",
        "it is only a small vessel, perhaps two millimetres or so",
        "somebody has parked a trolley in front of the door once more",
        "what did the laboratory say about the potassium",
        "you are doing very well, ten more minutes and we are finished",
        "please tell the ward that we will be late with the next two",
        "I read that they want to change the guideline again this year",
        "we will leave the sheath until tomorrow, the ward knows about it",
        "the printer wants a new cartridge and nobody knows where they are",
        "no, the other left",
        "right, that is what I thought as well",
        "so how many patients are still on the list for this afternoon",
        "could you hold that for a second while I look for the connector",
        "her blood pressure dropped when she stood up, that was the whole story",
        "it was in nineteen ninety five, or perhaps ninety six",
        "the radiographer said that the tube needs to cool down",
        "you can take a break after this one if you like",
        "stop it, you are making me laugh",
        "they delivered the stents to the wrong department again",
    ),
    "test": (
        "let me know when you are ready for lunch, the canteen closes at half past one",
        "what time does the meeting start, was it four or a quarter past four",
        "I would rather wait for the surgeon before we talk about it",
        "nearly finished now, just a few more minutes",
        "the weather is supposed to be nice tomorrow, about twenty five degrees",
        "where did you put my glasses, I had them on the desk",
        "show me the previous picture once more, the one from the side",
        "lower the lights in the room if you can",
        "we got a new puppy and it has eaten three pairs of shoes already",
        "the train was cancelled, so I had to take the bus at six fifteen",
        "you may feel your heart beating a little faster now",
        "somebody should ring the cardiologist who referred him",
        "the balloon at my son's birthday burst and everybody screamed",
        "we have been short of that wire for about two weeks",
        "I always find that the right one is more difficult than the left",
        "do not move your arm please, keep it quite still",
        "he says he weighs ninety kilos, but I do not believe it",
        "the company will send somebody to look at the pump on Thursday",
        "after the second stent she felt much better and went home the next day",
        "should it go up a little further, or is that all right for you",
        "is the anaesthetist coming down, or do we have to call again",
        "we were on holiday by the lake for ten days, it rained on nine of them",
        "that drug is much too expensive, nobody will pay for it",
        "last month we had two of those in one week",
        "can you see the whole screen from where you are standing",
        "there were eight of us round the table and only seven chairs",
        "ask him whether he has any allergies apart from penicillin",
        "the new gowns are far too warm, I cannot wear them all day",
        "if the pressure comes down by itself we do not need to give anything",
        "I would try a smaller balloon first, but that is a matter of taste",
        "how long did the last one take you, an hour and a half",
        "we will show you the film when we have finished",
        "he was a teacher for forty years and remembers every single pupil",
        "you need to sign this form before the patient goes back to the ward",
        "nothing to eat before four o'clock, but you may drink",
        "that alarm is from the other room, do not worry about it",
        "they want to count how much contrast everybody uses in a year",
        "who took the tape from the second drawer",
        "a nurse from the first floor is asking for the results",
        "the old table made a terrible noise whenever it went down",
        "my brother runs a marathon in under three hours",
        "you would not believe what happened at the weekend",
        "it says here that the heparin was given on the ward at seven",
        "give me a moment, I want to wash my hands again",
        "there is some tape left over from the case before",
        "so that was the diagonal, I took it for something else",
        "wait a second, what did you say about the wire",
        "the lift is stuck between the third and the fourth floor",
        "we should order more of the short ones, the long ones nobody wants",
        "put it over there, next to the blue box, thank you",
    ),
}

_NUMBERS: dict[Side, tuple[str, ...]] = {
    "dev": (
        "two",
        "twelve",
        "thirty",
        "a hundred and twenty",
        "three and a half",
        "fifteen",
        "eighty",
        "six",
    ),
    "test": (
        "four",
        "fourteen",
        "fifty",
        "two hundred and ten",
        "two and a half",
        "nineteen",
        "sixty",
        "nine",
    ),
}
_THINGS: dict[Side, tuple[str, ...]] = {
    "dev": ("balloons", "stents", "bottles of contrast", "pairs of gloves", "wires"),
    "test": ("catheters", "stents", "boxes of syringes", "balloons", "sheaths"),
}
_PATTERNS: dict[Side, tuple[str, ...]] = {
    "dev": (
        "I counted {number} {things} in the cupboard this morning",
        "we need to order {number} more {things} before the weekend",
        "somebody left {number} {things} on the table next door",
        "did you say {number} {things}, or was that for the other room",
        "in the old days we would have used {number} {things} for a case like this",
        "they only sent us {number} {things} and wrote a letter about it",
    ),
    "test": (
        "last year we threw away {number} {things} because of the date on the pack",
        "can you find out what {number} {things} cost nowadays",
        "he wanted to have {number} {things} ready, just to be on the safe side",
        "there must be {number} {things} in the drawer, I put them there myself",
        "the student asked me why we keep {number} {things} in the room",
        "it cannot be right that we used {number} {things} in one afternoon",
    ),
}


def talk(side: Side) -> list[str]:
    """Return what is said, in a fixed mixed order."""
    made = [
        pattern.format(number=number, things=things)
        for pattern, (number, things) in itertools.product(
            _PATTERNS[side], zip(itertools.cycle(_NUMBERS[side]), _THINGS[side] * 4, strict=False)
        )
    ]
    lines = [*_SAID[side], *dict.fromkeys(made)]
    return [lines[n] for n in generator("chatter", side).permutation(len(lines))]
