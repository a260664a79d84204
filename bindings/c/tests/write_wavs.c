/* Writes cam.wav (30 s, stereo, 48 kHz) and recorder.wav (20 s, mono, from 2 s on) for align_wavs. */
#include "test.h"

static void write_wav(const char *name, unsigned channels, size_t skip, size_t frames, uint32_t seed) {
    FILE *file = begin_wav(name, channels, frames);
    uint32_t common = 2463534242u, own = seed;
    size_t i;
    unsigned c;
    for (i = 0; i < skip; i++) shared_sound(&common, i);
    for (i = 0; i < frames; i++) {
        float shared = shared_sound(&common, skip + i);
        for (c = 0; c < channels; c++) write_sample(file, (shared + noise(&own) / 4.0f) / 2.0f);
    }
    CHECK(fclose(file) == 0);
}

int main(void) {
    write_wav("cam.wav", 2, 0, 30 * 48000, 41);
    write_wav("recorder.wav", 1, 96000, 20 * 48000, 42);
    return finished("write_wavs");
}
