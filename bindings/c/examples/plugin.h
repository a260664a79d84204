/* What the host of this example and its plugin agree on. The host knows nothing of Coeval: it hands the
 * plugin a clip and a recorder's sound in blocks as it decodes them, and takes conformed blocks back. */
#ifndef PLUGIN_H
#define PLUGIN_H

#include <stddef.h>

enum { PLUGIN_CLIP = 0, PLUGIN_RECORDER = 1 };

typedef struct plugin_interface {
    /* An instance for mono sound at `rate_hz`; NULL when there is none to be had. */
    void *(*open)(double rate_hz);
    /* First pass: the next block of one of the two sounds, to find out how they lie. 0: failed. */
    int (*analyse)(void *instance, int which, const float *samples, size_t frames);
    /* After the first pass. 0: the two have no common sound, or it failed. */
    int (*settle)(void *instance, size_t clip_frames);
    /* Second pass: which recorder frame is wanted next? 0: none now, take blocks out. */
    int (*wants)(void *instance, size_t *frame);
    /* The recorder's sound from that frame on; no frames: the recording has ended there. 0: failed. */
    int (*feed)(void *instance, const float *samples, size_t frames);
    /* Sound that lies under the clip, sample for sample; returns the number of frames. */
    size_t (*take)(void *instance, float *samples, size_t capacity);
    /* What went wrong last, or what was found. Valid until the next call. */
    const char *(*report)(void *instance);
    void (*close)(void *instance);
} plugin_interface;

/* The one function that a plugin exports. */
typedef const plugin_interface *(*plugin_entry_function)(void);

#endif
