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
    Reason("other-end", "The collar seems to hold a pipe at its other end too; what is said is of the end with a mark.",
           "If a pipe was pushed in there as well, photograph that end by itself.", bars=False),
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
    Reason("mark-unclear",
           "A line is in sight, but it can't be told from a shadow, dirt, the seam itself or a band round the pipe.",
           "Wipe the joint, take the photo square to the pipe with more light, or look at it on site. A photo of the "
           "marked pipe before it was pushed in may settle it too."),
    Reason("mark-hidden", "From this side the collar's lip could hide the mark.",
           "Take the photo from the pipe's side of the mouth, or straight over it."),
    Reason("covered", "Something lies over the mark or the collar's mouth.",
           "Move the hand, strap or mud away and take the photo again."),
    Reason("drawn-over", "What passes for the mark was drawn on the picture, not on the pipe.",
           "Send the photo as the camera took it, without lines, circles or arrows drawn on it."),
    Reason("two-lines", "There are two lines on the pipe, and the photo can't say which one is the depth mark.",
           "Find out which line is the depth mark; a person has to decide."),
    Reason("size-mismatch", "Pipe and collar do not have the proportions of the named fitting.",
           "Check the size that was named, and the fitting's row in the catalog."),
    Reason("interval-spans-limit", "The gap is too near to the limit for this photo to settle.",
           "Take the photo closer and square to the mouth, or measure on site."),
    Reason("no-pipe", "No bare pipe end was found.",
           "Take the photo again with the pipe's cut end and the mark in the middle of the frame."),
    Reason("not-bare", "A collar sits on the pipe's end: this is a made joint, not a marked pipe.",
           "Photograph the marked pipe before it is pushed in; judge a made joint by its gap."),
    Reason("end-cut-off", "The pipe's cut end is covered, or lies outside the picture or at its border.",
           "Step back until cut end and mark are both in the frame, and keep hands off the end."),
    Reason("cut-not-found", "The edge of the cut could not be told from what is around it.",
           "File off the burr, wipe the end, and hold it before a plain ground."),
    Reason("line-unclear", "There is a line on the pipe, but it can't be told from dirt, tape, print or a scratch.",
           "Wipe the pipe, draw the mark anew where it is faint, and take the photo square to the pipe."),
    Reason("interval-spans-tolerance", "The mark is too near to the edge of its tolerance for this photo to settle.",
           "Take the photo closer and square to the pipe, or measure with a rule."),
    Reason("mark-misplaced", "The mark was photographed before and lies at another depth than the catalog's.",
           "Give the row its `min_insertion`, and the insertion is judged by both photos; else a person decides."),
    Reason("interval-spans-insertion", "The insertion is too near to the least one allowed for two photos to settle.",
           "Take both photos closer, square to the pipe and from one side of it, or measure on site."),
    Reason("told-by-width", "The joint's photo hides the mark's near edge; the line's width on the marked pipe told "
           "where it lies.",
           "Where more depends on it, take the photo from the pipe's side of the mouth.", bars=False),
    Reason("marked-before", "By the joint's photo alone its line might be something else; the photo of the marked pipe "
           "shows that there is a mark.",
           "Where more depends on it, wipe the mouth and take the photo again.", bars=False),
    Reason("lens-unknown",
           "The photo does not say through which lens it was taken, and the mark's depth hangs on that.",
           "Send the original photo, or solve the phone's camera once (`collargap camera`) and name its profile."),
    Reason("insertion-open",
           "The photo of the marked pipe does not say through which lens it was taken, so the insertion is but a "
           "range; the gap alone decides.",
           "Send the original photo of the marked pipe, or name its phone's profile (`collargap camera`).",
           bars=False),
    Reason("no-tolerance", "The fitting's row gives no tolerance for the mark, so its depth is told but not judged.",
           "Compare the depth with the fitting's instructions; if they state a tolerance, add `mark_tolerance`."),
    Reason("focal-assumed", "The photo does not say a usable focal length; an ordinary phone's was assumed.",
           "Send the original file from the camera, not a copy from a messaging program.", bars=False),
    Reason("mark-askew", "The mark is not parallel to the collar's mouth.",
           "Check whether the pipe is straight in the collar; photograph the joint from the other sides too.",
           bars=False),
    Reason("sides-unknown", "It is not known from which sides of the pipe the photos were taken.",
           "Photograph sides that overlap, with print or another feature in both, or say the sides with --at."),
    Reason("side-unknown", "It is not known by how far round the pipe the later photo was taken from the first.",
           "Take both from the same side and say so with --turned 0, or let print on the pipe show in both.",
           bars=False),
    Reason("too-little-seen", "Too little of the pipe's circumference was seen to call the joint full.",
           "Photograph the other sides of the joint too."),
    Reason("views-disagree", "The views contradict one another by more than they may be off.",
           "Check that all photos show this joint and that the sides are named right; look at it on site."),
    Reason("cocked-or-askew", "The gap is not the same all round: the pipe is cocked, or the mark was drawn askew.",
           "Photos of the marked pipe before insertion, from two sides, tell which; without them, look at the joint on "
           "site.",
           bars=False),
    Reason("pipe-cocked", "The pipe sits cocked in the collar: the gap differs round it by more than the mark's own "
           "slant explains.",
           "Look at the joint on site: on the wide side the pipe may not be fully in.", bars=False),
    Reason("drawn-askew", "The mark was drawn askew; beside that, no sign that the pipe is cocked was seen.",
           "The worst gap counts all the same; draw the next mark along a guide that lies square.", bars=False),
    Reason("mark-differs", "The mark is not equally wide in both photos, so an edge of it, or of the pipe, is not "
           "what it seems.",
           "See whether a shadow or dirt hides part of the line; take the later photo again, in even light."),
    Reason("movement-too-small", "The photos can't tell so small a movement from none.",
           "Take the later photo closer and square to the mouth, from the same side as the first."),
    Reason("premark-unread", "The photo of the marked pipe gave no depth; the catalog's was taken instead.",
           "See what `collargap premark` says of that photo.", bars=False),
    Reason("mark-redrawn", "The photos of the marked pipe don't all show one line; those that show another than the "
           "last does are left out.",
           "If the mark was drawn anew, nothing is to be done; else see whether their sides are named right.",
           bars=False),
    Reason("mark-askew-cut", "The mark is not parallel to the cut.",
           "Measure the depth on several sides of the pipe, and draw the mark anew.", bars=False),
    Reason("cut-askew", "The pipe was not cut square.",
           "Cut it again: on the far side the mark's depth differs from what the photo shows.", bars=False),
    Reason("cut-ragged", "A burr or a torn edge makes it doubtful where the cut lies.",
           "File off the burr and take the photo again.", bars=False),
    Reason("lines-misplaced", "The lines placed by hand belong to no joint.",
           "Place the collar's two sides, its mouth and the mark's near edge again, on the joint's own edges."),
    Reason("assisted", "A person placed the collar's sides, its mouth and the mark's near edge on the photo.",
           "Where much depends on it, have a second person place the lines too, or look at the joint.",
           bars=False),
    Reason("demo-fitting", "The fitting is a demonstration row with an invented collar.",
           "Measure your collar with calipers and put it into a catalog of your own.", bars=False),
)

REASONS: dict[str, Reason] = {reason.code: reason for reason in _ALL}
