// Gzipped files, inflated as far as somebody asks.
#pragma once

#include "fits/bytes.hpp"

namespace coldframe::fits::detail {

[[nodiscard]] std::unique_ptr<ByteSource> open_gzip(const std::filesystem::path& path,
                                                    Descriptor file, FileStamp stamp);

}  // namespace coldframe::fits::detail
