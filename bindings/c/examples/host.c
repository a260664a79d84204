/* A host that knows nothing of Coeval: it loads a plugin and streams sound through it.
 *
 *     host PLUGIN.so
 *
 * The sound is made here: 30 s of a camera's clip, and a recorder whose clock runs 50 ppm slow and that
 * was switched on 3 s later. The host then checks that what comes back lies under the clip. */
#define _POSIX_C_SOURCE 200809L
#include "plugin.h"

#include <dlfcn.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RATE = 48000, CLIP = 30 * RATE, RECORDED = 22 * RATE, BLOCK = 1024, TONES = 60 };

/* What both hear at a moment: bursts of tones whose pitches differ from burst to burst, so that every
 * moment is unlike every other, and known between samples too. */
static float heard_at(double t) {
    static double pitch[400][TONES], phase[400][TONES];
    static int made;
    unsigned long state = 12345;
    int i, k, burst;
    double sum = 0.0, into;
    if (!made) {
        for (i = 0; i < 400; i++) {
            for (k = 0; k < TONES; k++) {
                state = (state * 1103515245ul + 12345ul) & 0x7ffffffful;
                pitch[i][k] = 300.0 + 2700.0 * (double)state / 2147483648.0;
                state = (state * 1103515245ul + 12345ul) & 0x7ffffffful;
                phase[i][k] = 6.283185307179586 * (double)state / 2147483648.0;
            }
        }
        made = 1;
    }
    burst = (int)(t / 0.25);
    into = t - 0.25 * burst;
    if (t < 0.0 || burst >= 400 || burst % 3 == 2) return 0.0f;
    for (k = 0; k < TONES; k++) sum += sin(6.283185307179586 * pitch[burst][k] * t + phase[burst][k]);
    /* Raised-cosine ends, so that the bursts stay within the band. */
    return (float)(sum / TONES * 0.5 * (1.0 - cos(6.283185307179586 * into / 0.25)));
}

/* Each device's own noise. */
static float noise(unsigned long *state) {
    *state = (*state * 1103515245ul + 12345ul) & 0x7ffffffful;
    return ((float)*state / 2147483648.0f - 0.5f) / 200.0f;
}

int main(int argc, char **argv) {
    static float clip[CLIP], recorded[RECORDED], conformed[CLIP];
    void *library, *instance = NULL, *symbol;
    plugin_entry_function entry;
    const plugin_interface *plugin = NULL;
    size_t i, frame, done = 0, got;
    unsigned long camera_noise = 1, recorder_noise = 2;
    double error = 0.0, power = 0.0;
    int good;

    library = argc > 1 ? dlopen(argv[1], RTLD_NOW | RTLD_LOCAL) : NULL;
    symbol = library != NULL ? dlsym(library, "plugin_entry") : NULL;
    if (symbol == NULL) {
        fprintf(stderr, "usage: host PLUGIN.so (%s)\n", argc > 1 ? dlerror() : "no plugin named");
        return 2;
    }
    memcpy(&entry, &symbol, sizeof entry);
    plugin = entry();

    for (i = 0; i < CLIP; i++) clip[i] = heard_at((double)i / RATE) + noise(&camera_noise);
    /* Its clock counts RATE samples in 1.00005 s of the camera's. */
    for (i = 0; i < RECORDED; i++)
        recorded[i] = heard_at(3.0 + (double)i / RATE * (1.0 + 50e-6)) + noise(&recorder_noise);

    instance = plugin->open(RATE);
    good = instance != NULL;
    for (i = 0; good && i < CLIP; i += BLOCK)
        good = plugin->analyse(instance, PLUGIN_CLIP, clip + i, CLIP - i < BLOCK ? CLIP - i : BLOCK);
    for (i = 0; good && i < RECORDED; i += BLOCK)
        good = plugin->analyse(instance, PLUGIN_RECORDER, recorded + i, RECORDED - i < BLOCK ? RECORDED - i : BLOCK);
    good = good && plugin->settle(instance, CLIP);
    if (instance != NULL) printf("plugin: %s\n", plugin->report(instance));
    while (good && done < CLIP) {
        while (good && plugin->wants(instance, &frame)) {
            size_t from = frame < RECORDED ? frame : RECORDED;
            good = plugin->feed(instance, recorded + from, RECORDED - from < BLOCK ? RECORDED - from : BLOCK);
        }
        got = plugin->take(instance, conformed + done, CLIP - done < BLOCK ? CLIP - done : BLOCK);
        if (got == 0) break;
        done += got;
    }
    if (instance != NULL) plugin->close(instance);
    dlclose(library);

    /* Under the clip lies what was heard there, but for the recorder's noise. */
    for (i = 4 * RATE; i < 24 * RATE; i++) {
        double want = heard_at((double)i / RATE), differs = conformed[i] - want;
        error += differs * differs;
        power += want * want;
    }
    error = 10.0 * log10(error / power);
    printf("conformed %lu of %d frames; differs from what was heard by %.1f dB\n", (unsigned long)done, CLIP, error);
    /* One sample late would be -12 dB, the recorder's noise alone is -30 dB. */
    return good && done == CLIP && error < -25.0 ? 0 : 1;
}
