"""Every reason to doubt or to refuse, named once.  Help, README, page and report are made from here."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """A code that programs read, a sentence that says what is wrong, and what a person can do about it.

    bars: True when the reason alone makes a verdict impossible; False when it only adds doubt.
    """

    code: str
    text: str
    advice: str
    bars: bool = True


_ALL = (
    Reason("not-a-photo", "The file could not be read as a photo.",
           "Send the original picture file: JPEG, PNG, WebP, HEIC or TIFF."),
    Reason("too-large", "The picture has more pixels than the tool opens.",
           "Send a picture of at most 50 megapixels."),
    Reason("too-small", "The picture has too few pixels to judge a joint.",
           "Send the original photo, at least half a megapixel, not a preview of it."),
    Reason("no-joint", "No collar with a pipe in it was found.",
           "Take the photo again with the collar and a hand's width of pipe in the middle of the frame."),
    Reason("several-joints", "More than one joint is in the picture and it is not clear which one is meant.",
           "Bring the joint that is meant to the middle of the frame, nearer than the others."),
    Reason("collar-cut-off", "The collar or its mouth lies outside the picture or at its border.",
           "Step back until the whole collar and a hand's width of pipe are in the frame."),
    Reason("too-far", "The joint is too small in the picture.",
           "Move closer until the collar fills about a third of the frame."),
    Reason("too-oblique", "The joint is seen too much from its end.",
           "Hold the phone square to the pipe, straight over the collar's mouth."),
    Reason("too-dark", "The picture is too dark where it matters.",
           "Add light, or switch the flash on, and take the photo again."),
    Reason("blurred", "The picture is not sharp where it matters.",
           "Hold the phone still, tap on the mark to focus, and take the photo again."),
    Reason("glare", "Glare covers the mark or the collar's mouth.",
           "Shade the joint or turn a little so that the reflection moves away from the mark."),
    Reason("edges-not-found", "The sides of the pipe or of the collar were not found clearly enough.",
           "Clear what leans on the joint and take the photo against a plain ground."),
    Reason("mouth-not-found", "The collar's mouth could not be told from what is around it.",
           "Wipe the mouth of the collar and the pipe beside it, and take the photo again."),
    Reason("mark-not-found", "No depth mark was found on the pipe.",
           "Turn the side with the mark to the camera and wipe the pipe. If the pipe was never marked, "
           "a photo can't prove its depth."),
    Reason("mark-unclear", "A line lies at the mouth, but it can't be told from a shadow, dirt or the seam itself.",
           "Wipe the joint, take the photo square to the pipe with more light, or look at it on site."),
    Reason("mark-hidden", "From this side the collar's lip could hide the mark.",
           "Take the photo from the pipe's side of the mouth, or straight over it."),
    Reason("covered", "Something lies over the mark or the collar's mouth.",
           "Move the hand, strap or mud away and take the photo again."),
    Reason("two-lines", "There are two lines on the pipe, and the photo can't say which one is the depth mark.",
           "Find out which line is the depth mark; a person has to decide."),
    Reason("size-mismatch", "Pipe and collar do not have the proportions of the named fitting.",
           "Check the size that was named, and the fitting's row in the catalog."),
    Reason("interval-spans-limit", "The gap is too near to the limit for this photo to settle.",
           "Take the photo closer and square to the mouth, or measure on site."),
    Reason("focal-assumed", "The photo does not say a usable focal length; an ordinary phone's was assumed.",
           "Send the original file from the camera, not a copy from a messaging program.", bars=False),
    Reason("mark-askew", "The mark is not parallel to the collar's mouth.",
           "Check whether the pipe is straight in the collar; photograph the joint from the other sides too.",
           bars=False),
    Reason("lines-misplaced", "The lines placed by hand belong to no joint.",
           "Place the collar's two sides, its mouth and the mark's near edge again, on the joint's own edges."),
    Reason("assisted", "A person placed the collar's sides, its mouth and the mark's near edge on the photo.",
           "Where much depends on it, have a second person place the lines too, or look at the joint.",
           bars=False),
    Reason("demo-fitting", "The fitting is a demonstration row with an invented collar.",
           "Measure your collar with calipers and put it into a catalog of your own.", bars=False),
)

REASONS: dict[str, Reason] = {reason.code: reason for reason in _ALL}
